// Package store keeps passes: their figures, tags, findings, frame times, telemetry and
// the system they ran on, in one SQLite file that one agent writes and any number of
// commands read.
//
// A pass is there whole or not at all: [Store.Save] is one transaction, and the frame
// times lie in the same file as compressed rows. Identity is the SHA-256 of the log's
// bytes. Nothing is overwritten: a grown log becomes a new revision beside the old one,
// a corrected tag and a new verdict leave a history.
//
// The package assumes that the file lies on a local disk (write-ahead logging needs
// shared memory) and that a second agent is kept away by its caller's lock. Several
// writers are still safe: they wait for each other for up to five seconds.
//
// Times are stored as RFC 3339 text in UTC with microseconds, so that their order as
// text is their order in time. The encoding of frame times is described in
// docs/store.md and at [EncodeFrames].
package store
