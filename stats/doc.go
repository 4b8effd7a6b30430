// Package stats holds statistics on plain numbers: rates, quantiles and low rates of frame
// times, trends, steps and spikes in a series, what its correlation costs, bootstraps;
// agreement of repeated results, intervals, equivalence, geometric means, two-way tables,
// soft minimum, monotone fits and numbers of passes. Nothing here knows what a pass is.
//
// An error means that nothing could be computed; a [Warning] beside a result is
// something its reader must know. A figure that is undefined is NaN, never 0. Every
// function names its source; the tests compare with testdata/checks.
package stats
