// Package report writes conclusions down: one self-contained page with its charts, the
// same charts as SVG and PNG for an article or a video, and a data package with which a
// reader can check every number.
//
// [Build] computes everything from values; [Report.Files] hands out the files. Nothing is
// read or written here. The page has no script and loads nothing; its charts are drawn as
// SVG by this package. Everything that came from a log, a tag or a price list is escaped
// where it is written.
package report
