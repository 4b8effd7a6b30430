// Package analysis draws conclusions from passes: figures of cells with their
// uncertainty, margins and ties, limits, odd cells, predictions, value, reuse.
//
// Everything is a function of values: passes and options in, results out. A figure that
// is undefined is NaN here and null in JSON, never 0, and something that cannot be said
// carries the reason in words. Rates are compared on their natural logarithms, so that a
// spread of 0.01 is one per cent whatever the rate. docs/analysis.md states the methods
// with their sources and what simulations showed of them.
package analysis
