// Package tally counts the rows of a log that give no frame, by reason.
package tally
