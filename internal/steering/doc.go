// Package steering is what the reviewer asks of a campaign that runs: where it stands, which
// cell to go to, back to or to leave out, what a shift did and what a plan costs. It decides
// with values of campaign and logbook, and says the result for people and for programs.
package steering
