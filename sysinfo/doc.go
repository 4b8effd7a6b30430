// Package sysinfo knows the bench: [Bench.Detect] reads what the machine is, and
// [Bench.Sample] takes one row of telemetry a second from which [Bench.WindowFor] cuts
// the time of a pass afterwards.
//
// # What it assumes
//
// Neither root nor administrator is needed. Every source is optional: what cannot be
// read is a field or a gap that says why, never a zero. On Linux everything is read
// below a root folder, so that a recorded machine is a test's fixture; on Windows the
// parsers are apart from the calls and are tested on recorded answers.
//
// # What it costs
//
// One goroutine and one timer. Files stay open and are read at offset 0 into buffers
// that are used again, so that a steady sample allocates nothing. There is no scan of
// all processes in a sample: each sample looks at the few busiest programs and at a
// twentieth of the others, and newcomers are asked for by number, so that no sample
// carries a burst; for the same reason costly files have turns. While nothing on the machine
// is busy a sample is taken every five seconds only, and while next to nothing happens
// every thirty, with a glance at the idle time every five. A read that does not return leaves
// its goroutine behind, and sampling goes on without that source.
package sysinfo
