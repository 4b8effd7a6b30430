// Package framelog reads frame times from the text logs of any frame-time logger.
//
// A log is recognised by its structure alone: encoding, line ends, delimiter, decimal
// sign, heading, and which column behaves like frame times or like rising time stamps.
// Where two readings are plausible and differ, nothing is guessed: the error is an
// [AmbiguousError] that lists what each would give and the configuration lines that
// choose one. What a log's structure cannot tell is said by a [Declared] layout.
//
// Numbers are read exactly: a frame time is the double nearest to the decimal in the
// log after the change of unit, and time stamps are subtracted as integers. Logs are
// read in pieces, so that memory is bounded by the frame times themselves.
package framelog
