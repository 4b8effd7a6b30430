package stats

import "math"

// Sharpness returns limits of q, by the delta method on ln q; sigma and z as for [SoftMinFit.ShareInterval].
func (f SoftMinFit) Sharpness(sigma, z float64) (soft, sharp float64) {
	if f.cov == nil || !(sigma >= 0) {
		return qLow, qHigh
	}
	m := len(f.C) + len(f.G)
	factor := math.Exp(z * sigma * math.Sqrt(math.Max(0, f.cov.at(m, m))))
	return math.Max(qLow, f.Q/factor), math.Min(qHigh, f.Q*factor)
}

// ShareInterval returns limits of the processor's share at point i of the fitted points,
// where sigma is the standard deviation of ln Y and z the number of standard errors.
//
// Two pairs of limits hold at once. One is the delta method, at all corners of the
// intervals of ln g - ln c and of ln q, which is useless along directions in which the
// table says nothing. The other needs no upper limit of a ceiling: the share is (y/c)^q
// and that of the card (y/g)^q, and each ceiling is at least the highest rate seen with
// its part.
func (f SoftMinFit) ShareInterval(p []SoftMinPoint, i int, sigma, z float64) (low, high float64) {
	if f.cov == nil || !(sigma >= 0) || i >= len(f.Fitted) {
		return 0, 1
	}
	c, g := p[i].C, p[i].G
	a, b := c, len(f.C)+g
	distance := math.Log(f.G[g]) - math.Log(f.C[c])
	half := z * sigma * math.Sqrt(math.Max(0, f.cov.at(a, a)+f.cov.at(b, b)-2*f.cov.at(a, b)))
	soft, sharp := f.Sharpness(sigma, z)
	low, high = 1, 0
	for _, q := range []float64{soft, sharp} {
		for _, d := range []float64{distance - half, distance + half} {
			share := 1 / (1 + math.Exp(-q*d))
			low, high = math.Min(low, share), math.Max(high, share)
		}
	}
	row, col := f.Fitted[i], f.Fitted[i]
	for k, v := range p {
		if v.C == c {
			row = math.Max(row, f.Fitted[k])
		}
		if v.G == g {
			col = math.Max(col, f.Fitted[k])
		}
	}
	noise := z * sigma * math.Sqrt2
	high = math.Min(high, math.Exp(-soft*math.Max(0, row-f.Fitted[i]-noise)))
	low = math.Max(low, -math.Expm1(-soft*math.Max(0, col-f.Fitted[i]-noise)))
	return math.Min(low, f.Share[i]), math.Max(high, f.Share[i])
}
