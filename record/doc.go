// Package record holds the words of the design as types: [Pass], [Tag], [System],
// [Telemetry], [Metrics], [Finding] and [Verdict]. It does no input or output, reads
// no clock and imports nothing of the project, so that every other package can speak
// in its terms.
//
// Units are part of a name: MS is milliseconds, S seconds, FPS frames per second.
// Wall-clock times are UTC.
package record
