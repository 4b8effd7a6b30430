package stats

// longestPass is the length in seconds up to which seconds are told apart: a day.
const longestPass = 86400

// SecondMeans returns the mean frame time in ms of each full second of a pass: of the frames
// that end in it, or of the frame that covers it whole. A rest is left out.
func SecondMeans(ms []float64) []float64 {
	var out []float64
	var at, sum float64
	n, next := 0, 1000.0
	for _, x := range ms {
		at, sum, n = at+x, sum+x, n+1
		for at >= next && len(out) < longestPass {
			if n > 0 {
				out = append(out, sum/float64(n))
			} else {
				out = append(out, x)
			}
			sum, n = 0, 0
			next += 1000
		}
	}
	return out
}
