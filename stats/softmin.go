package stats

import (
	"errors"
	"math"
)

// SoftMin returns the soft minimum (c^-q + g^-q)^(-1/q) of a processor's ceiling c and a
// card's ceiling g, and the processor's share d ln f / d ln c: 1 is bound by the
// processor, 0 by the card. It works on logarithms, so that no power overflows.
func SoftMin(c, g, q float64) (value, share float64) {
	l, s := softMinLog(math.Log(c), math.Log(g), q)
	return math.Exp(l), s
}

func softMinLog(a, b, q float64) (l, share float64) {
	x, y := -q*a, -q*b
	m := math.Max(x, y)
	ex, ey := math.Exp(x-m), math.Exp(y-m)
	return -(m + math.Log(ex+ey)) / q, ex / (ex + ey)
}

// SoftMinPoint is one rate Y with the indexes of its two ceilings.
type SoftMinPoint struct {
	C, G   int
	Y      float64
	Weight float64 // 0 counts as 1
	// D numbers what else scales the processor's ceiling, from 1: the driver of the card, say.
	// 0 has no such factor and is what the others are relative to.
	D int
}

// SoftMinFit is the least-squares fit on ln Y.
type SoftMinFit struct {
	C, G  []float64 // ceilings
	Q     float64
	D     []float64 // factors of the processor's ceiling, from D = 1 on
	RSS   float64   // of ln Y, weighted
	DF    float64   // points less parameters; may be negative
	Sigma float64   // sqrt(RSS/DF); NaN without degrees of freedom

	// CShare and GShare are the largest shares that each ceiling has in any of its
	// points. Near zero, the data hold no upper limit for it.
	CShare, GShare []float64
	Fitted         []float64 // ln Y
	Share          []float64 // processor's share per point
	Leverage       []float64 // 0..1; near 1, the point is fitted whatever it says

	cov *inverse // of J'WJ
}

// errShort says why a fit is impossible.
var errShort = errors.New("a soft minimum needs three points at least")

// qLow and qHigh fence the sharpness: 0.5 is softer than serial work, 64 a hard minimum
// within a thousandth.
const qLow, qHigh = 0.5, 64

func checkSoftMin(p []SoftMinPoint) error {
	if len(p) < 3 {
		return errShort
	}
	for _, v := range p {
		if !(v.Y > 0) || math.IsInf(v.Y, 1) {
			return ErrNonPositive
		}
	}
	return nil
}

// FitSoftMin fits nc processor ceilings, ng card ceilings and one sharpness q by
// Levenberg-Marquardt from several starting q. Points may repeat or miss combinations.
func FitSoftMin(p []SoftMinPoint, nc, ng int) (SoftMinFit, error) {
	if err := checkSoftMin(p); err != nil {
		return SoftMinFit{}, err
	}
	best := SoftMinFit{RSS: math.Inf(1)}
	nd := 0
	for _, v := range p {
		nd = max(nd, v.D)
	}
	var at softMinParams
	blocks := link(p, nc, ng, 1+nd)
	for _, q := range []float64{2, 4, 8, 16} {
		s := startSoftMin(p, nc, ng, nd, q)
		rss := s.minimise(p, blocks)
		if rss < best.RSS*(1-1e-9) {
			best.RSS, at = rss, s
		}
	}
	best.finish(p, at, blocks)
	return best, nil
}

// Refit fits points like those of f again, starting where f ended: where little has changed
// it costs a tenth of [FitSoftMin].
func (f SoftMinFit) Refit(p []SoftMinPoint) (SoftMinFit, error) {
	if err := checkSoftMin(p); err != nil {
		return SoftMinFit{}, err
	}
	s := softMinParams{a: logs(f.C), b: logs(f.G), q: math.Log(f.Q), d: logs(f.D)}
	var out SoftMinFit
	blocks := link(p, len(s.a), len(s.b), 1+len(s.d))
	out.RSS = s.minimise(p, blocks)
	out.finish(p, s, blocks)
	return out, nil
}

// Residual returns what is left of a small change of ln Y of the fitted points once the
// parameters have followed it, to first order: x - J (J'WJ)^-1 J'W x.
func (f SoftMinFit) Residual(p []SoftMinPoint, x []float64) []float64 {
	out := append([]float64(nil), x...)
	if f.cov == nil {
		return out
	}
	s := softMinParams{a: logs(f.C), b: logs(f.G), q: math.Log(f.Q), d: logs(f.D)}
	along := make([]float64, len(s.a)+len(s.b)+1+len(s.d))
	for i, v := range p {
		if x[i] == 0 {
			continue
		}
		at, d, _ := s.row(v)
		for k := range at {
			along[at[k]] += v.weight() * d[k] * x[i]
		}
	}
	change, ok := f.cov.solve(along)
	if !ok {
		return out
	}
	for i, v := range p {
		at, d, _ := s.row(v)
		for k := range at {
			out[i] -= d[k] * change[at[k]]
		}
	}
	return out
}

// softMinParams are ln c, ln g, ln q and ln d.
type softMinParams struct {
	a, b []float64
	q    float64
	d    []float64
}

func startSoftMin(p []SoftMinPoint, nc, ng, nd int, q float64) softMinParams {
	s := softMinParams{a: fill(nc, math.Inf(-1)), b: fill(ng, math.Inf(-1)), q: math.Log(q), d: make([]float64, nd)}
	for _, v := range p {
		s.a[v.C] = math.Max(s.a[v.C], math.Log(v.Y)+0.05)
		s.b[v.G] = math.Max(s.b[v.G], math.Log(v.Y)+0.05)
	}
	return s
}

func fill(n int, v float64) []float64 {
	s := make([]float64, n)
	for i := range s {
		s[i] = v
	}
	return s
}

func (s softMinParams) eval(v SoftMinPoint) (l, share, dq float64) {
	a, b := s.a[v.C], s.b[v.G]
	if v.D > 0 {
		a += s.d[v.D-1]
	}
	l, share = softMinLog(a, b, math.Exp(s.q))
	return l, share, share*a + (1-share)*b - l
}

func (v SoftMinPoint) weight() float64 {
	if v.Weight > 0 {
		return v.Weight
	}
	return 1
}

func (s softMinParams) rss(p []SoftMinPoint) (sum float64) {
	for _, v := range p {
		l, _, _ := s.eval(v)
		d := math.Log(v.Y) - l
		sum += v.weight() * d * d
	}
	return sum
}

// row gives the places and values of a point's derivatives, the last at the first place
// again and 0 where the point has no factor D.
func (s softMinParams) row(v SoftMinPoint) (at [4]int, d [4]float64, l float64) {
	l, share, dq := s.eval(v)
	at, d = [4]int{v.C, len(s.a) + v.G, len(s.a) + len(s.b), v.C}, [4]float64{share, 1 - share, dq, 0}
	if v.D > 0 {
		at[3], d[3] = len(s.a)+len(s.b)+v.D, share
	}
	return at, d, l
}

// normal returns J'WJ and J'Wr.
func (s softMinParams) normal(p []SoftMinPoint, l *linked) (*arrow, []float64) {
	h, g := l.zero(), make([]float64, len(s.a)+len(s.b)+1+len(s.d))
	for _, v := range p {
		at, d, fitted := s.row(v)
		w, r := v.weight(), math.Log(v.Y)-fitted
		for i := range at {
			g[at[i]] += w * d[i] * r
			for j := i; j < len(at); j++ {
				h.add(at[i], at[j], w*d[i]*d[j])
			}
		}
	}
	return h, g
}

func (s *softMinParams) minimise(p []SoftMinPoint, l *linked) float64 {
	rss, lambda := s.rss(p), 1e-3
	for iter := 0; iter < 300 && lambda < 1e12; iter++ {
		h, g := s.normal(p, l)
		next, ok := s.step(h, g, lambda)
		if !ok {
			lambda *= 10
			continue
		}
		r := next.rss(p)
		if !(r < rss) {
			lambda *= 5
			continue
		}
		done := rss-r <= 1e-13*rss
		*s, rss, lambda = next, r, math.Max(lambda/8, 1e-12)
		if done {
			break
		}
	}
	return rss
}

func (s softMinParams) step(h *arrow, g []float64, lambda float64) (softMinParams, bool) {
	f, ok := h.lifted(func(v float64) float64 { return v*(1+lambda) + 1e-9*lambda + 1e-12 }).factor()
	if !ok {
		return s, false
	}
	d, ok := f.solve(g)
	if !ok {
		return s, false
	}
	next := softMinParams{a: append([]float64(nil), s.a...), b: append([]float64(nil), s.b...), q: s.q,
		d: append([]float64(nil), s.d...)}
	for i := range next.a {
		next.a[i] += clamp(d[i], 0.5)
	}
	for j := range next.b {
		next.b[j] += clamp(d[len(s.a)+j], 0.5)
	}
	next.q = math.Min(math.Log(qHigh), math.Max(math.Log(qLow), s.q+clamp(d[len(s.a)+len(s.b)], 0.7)))
	for k := range next.d {
		next.d[k] += clamp(d[len(s.a)+len(s.b)+1+k], 0.5)
	}
	return next, true
}

func clamp(x, m float64) float64 { return math.Max(-m, math.Min(m, x)) }

func (f *SoftMinFit) finish(p []SoftMinPoint, s softMinParams, blocks *linked) {
	f.Q = math.Exp(s.q)
	f.CShare, f.GShare = make([]float64, len(s.a)), make([]float64, len(s.b))
	for _, v := range p {
		l, share, _ := s.eval(v)
		f.Fitted, f.Share = append(f.Fitted, l), append(f.Share, share)
		f.CShare[v.C] = math.Max(f.CShare[v.C], share)
		f.GShare[v.G] = math.Max(f.GShare[v.G], 1-share)
	}
	for _, a := range s.a {
		f.C = append(f.C, math.Exp(a))
	}
	for _, b := range s.b {
		f.G = append(f.G, math.Exp(b))
	}
	for _, d := range s.d {
		f.D = append(f.D, math.Exp(d))
	}
	h, _ := s.normal(p, blocks)
	// A ceiling that no point feels has no curvature; a slight ridge leaves its own
	// uncertainty huge and the others' as they are.
	if solver, ok := h.lifted(func(v float64) float64 { return v + 1e-7 }).factor(); ok {
		f.cov = solver.inverse()
	}
	rank := 0.0
	for _, v := range p {
		lev := math.Min(1, v.weight()*f.quadratic(s, v))
		f.Leverage = append(f.Leverage, lev)
		rank += lev
	}
	f.DF = float64(len(p)) - rank
	f.Sigma = math.NaN()
	if f.DF >= 1 {
		f.Sigma = math.Sqrt(f.RSS / f.DF)
	}
}

// quadratic is d' cov d for a point's derivatives d.
func (f SoftMinFit) quadratic(s softMinParams, v SoftMinPoint) float64 {
	if f.cov == nil {
		return 1
	}
	at, d, _ := s.row(v)
	sum := 0.0
	for i := range at {
		for j := range at {
			sum += d[i] * d[j] * f.cov.at(at[i], at[j])
		}
	}
	return sum
}

// Predict returns the rate of a combination, the standard error of its logarithm in
// units of Sigma (parameters only), and the processor's share.
func (f SoftMinFit) Predict(c, g int) (y, spread, share float64) {
	s := softMinParams{a: logs(f.C), b: logs(f.G), q: math.Log(f.Q), d: logs(f.D)}
	v := SoftMinPoint{C: c, G: g}
	l, share, _ := s.eval(v)
	return math.Exp(l), math.Sqrt(math.Max(0, f.quadratic(s, v))), share
}
