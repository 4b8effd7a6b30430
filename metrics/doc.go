// Package metrics turns frame times into figures.
//
// N frames took x_1..x_N milliseconds, T is their sum, d_1 >= d_2 >= ... are the frame
// times from the longest down and C_j = d_1 + ... + d_j. The default figures of
// [Compute] are
//
//	average rate     1000 N / T frames per second, which is also the harmonic mean of
//	                 the rates 1000/x_i and their mean weighted by time
//	percentiles      Hyndman and Fan type 7: with h = (N-1)p + 1 the value between the
//	                 order statistics floor(h) and floor(h)+1 (Hyndman and Fan, "Sample
//	                 quantiles in statistical packages", American Statistician 50, 1996)
//	low by count     1000 k / C_k with k = ceil(N/100) for 1 %, ceil(N/1000) for 0.1 %
//	low by time      1000 / d_j for the smallest j with 100 C_j >= T
//	percentile rate  1000 / Q(0.99)
//	hitches          see [HitchRule]
//
// Of the three low rates the first two are never above 1000/d_k, and the third is never
// below it. Low rates with fewer than ten frames in their tail carry a flag; ten is a
// convention.
//
// Every figure but the hitches, which look at neighbours, is independent of the order of
// the frames to the last bit: order statistics are exact, and sums are exact before they
// are rounded once. Sums are formed in whole ticks where the log's resolution is known
// (see [record.Frames]), else in a superaccumulator (Neal, "Fast exact summation using
// small and large superaccumulators", arXiv:1505.05571, 2015).
//
// [More] gives further figures on request: percentiles of the other types, low rates over
// other shares, frames over a limit, frame caps, trend and correlation within the pass,
// and limits of the rates by a block bootstrap.
//
// A frame time that is negative, not finite or longer than [LongestMS] is an error with
// its index. Frames of no length are counted like any other.
package metrics
