package outlier

import "math"

// evenPart of the level is shared evenly by all cells (a convention), so that none is beyond
// finding however little the others say of it.
const evenPart = 0.1

// shares divides a level among two-sided tests so that the mean probability of finding an
// effect is greatest, sizes being what the effect is in standard errors in each: test k is
// held against the critical value sizes[k]/2 + c/sizes[k] of the normal distribution, c
// chosen so that the levels sum to the whole (weighted Bonferroni; Roeder and Wasserman,
// Statistical Science 24, 398, 2009, with one size for all effects; from memory). It
// follows from Lagrange's rule: the gain of power per level, phi(c_k - size) / phi(c_k), is
// the same everywhere. Tests that find the effect anyway, and such as hardly can, leave
// their part to those between.
func shares(sizes []float64, level float64) []float64 {
	critical := func(size, c float64) float64 { return math.Erfc(math.Max(0, size/2+c/size) / math.Sqrt2) }
	low, high := 0.0, 0.0
	for _, size := range sizes {
		high = math.Max(high, 8*size)
		low = math.Min(low, -size*size/2)
	}
	for range 100 {
		c, sum := (low+high)/2, 0.0
		for _, size := range sizes {
			sum += critical(size, c)
		}
		if sum > level {
			low = c
		} else {
			high = c
		}
	}
	out := make([]float64, len(sizes))
	for k, size := range sizes {
		out[k] = critical(size, high) / level
	}
	return out
}
