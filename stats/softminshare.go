package stats

import "math"

// ShareInterval returns limits of the processor's share of a combination: the interval of
// its logit q (ln g - ln c) at z standard errors (delta method), where sigma is the
// standard deviation of ln Y. It is all of 0..1 where the fit leaves the share open.
func (f SoftMinFit) ShareInterval(c, g int, sigma, z float64) (low, high float64) {
	if f.cov == nil || !(sigma >= 0) {
		return 0, 1
	}
	n, m := len(f.C), len(f.C)+len(f.G)
	logit := f.Q * (math.Log(f.G[g]) - math.Log(f.C[c]))
	at, d := [3]int{c, n + g, m}, [3]float64{-f.Q, f.Q, logit}
	v := 0.0
	for i := range at {
		for j := range at {
			v += d[i] * d[j] * f.cov.At(at[i], at[j])
		}
	}
	half := z * sigma * math.Sqrt(math.Max(0, v))
	return logistic(logit - half), logistic(logit + half)
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }
