// Package watcher notices the logs that frame-time loggers write into a folder and
// decides when one is complete.
//
// It assumes nothing about a logger but that it writes regular files below the folder.
// Events of the operating system are hints; what a scan finds is the truth. A log is
// complete when its size and time of change stood still for the quiet time, it is not
// empty and no program has it open for writing; the decision is a pure function of what
// is known of the log and a time (settle.go).
//
// The quiet time is not shortened for a log whose last writer is gone: a logger that
// opens, appends and closes for every line has no writer either between two lines, and
// taking its log early would judge an unfinished pass. It is for one that a single writer
// held open for some seconds, and that was not closed in between.
//
// While anything is written in a folder, its writes wake nobody (calm.go).
//
// Nothing is ever opened for writing, moved, changed or deleted. Symbolic links below
// the folder are not followed: they can lead in circles or to devices.
package watcher
