// Package campaign plans a matrix of cells, says which cells a set of passes covers, and
// what to run next.
//
// A campaign is read from a TOML file ([Load]); the reviewer's page about it is
// docs/campaigns.md. The package is pure: it reads no clock and keeps nothing. What the
// reviewer ordered ([Order]) and what was recorded (record.Pass) go in, and the coverage
// ([Plan.Cover]), the position ([Plan.Replay]) and the next cell come out. Because the position is
// worked out from the passes every time, a log that comes late, twice or corrected
// cannot leave it wrong.
//
// The model of costs: changing from one cell to another costs the sum of the minutes of
// the factors that differ; setting up the first cell costs nothing. Tags are compared by
// their text, so that a caller turns the names that machines report into the reviewer's
// own beforehand, with the names of [Campaign.Aliases].
package campaign
