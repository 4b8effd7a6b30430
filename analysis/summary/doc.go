// Package summary says what a campaign found in at most twenty plain sentences, the weightiest
// first. Each is made of the cells that the tables show and carries its claims as numbers, so
// that it can be checked. The ranges in all sentences hold together, with the confidence of one
// interval: whoever picks the striking ones of a thousand comparisons must allow for that.
package summary
