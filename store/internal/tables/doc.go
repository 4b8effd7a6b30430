// Package tables reads and writes the rows of a store within one transaction that its caller
// began: passes with their tags, findings and revisions, the search for them, digests, and
// the encodings of frame times, samples and logs. It opens and ends nothing.
package tables
