package compare

import (
	"cmp"
	"fmt"
	"math"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/stats"
)

// comparison is what a statement is made from, of a margin or of a mean over games.
type comparison struct {
	ratio
	terms  []variance.Term
	log    float64
	margin analysis.Number
	pHolm  analysis.Number
	call   Call
	metric string
	reason string // why there is no interval
}

// statement says the outcome so that it can be read to a viewer: what was found, and how far
// it could be wrong.
func (c comparison) statement(o analysis.Options) string {
	if !c.margin.Known() {
		return "no comparison: " + c.reason
	}
	word := worded(c.log, c.metric)
	if !c.low.Known() || !c.high.Known() {
		return fmt.Sprintf("%s %% %s, how surely is not known: %s", Digits(c.margin, c.margin, c.margin), word, c.reason)
	}
	low, high, size := c.low, c.high, analysis.Number(math.Abs(float64(c.margin)))
	shown := func(x analysis.Number) string { return digits(x, decimals(c.margin, c.low, c.high)) }
	bound := fmt.Sprintf("%.1f", math.Ceil(1000*float64(c.atMost))/10) // a bound is rounded up
	if c.log < 0 {
		low, high = -high, -low
	}
	switch outside := low > 0; {
	case c.call == Faster || c.call == Slower:
		return fmt.Sprintf("%s %% %s (%s to %s)", shown(size), word, shown(low), shown(high))
	case c.call == Tie && outside:
		return fmt.Sprintf("no difference that matters: at most %s %% either way", bound)
	case c.call == Tie:
		return fmt.Sprintf("no difference: at most %s %% either way", bound)
	case outside:
		return fmt.Sprintf("%s %% %s (%s to %s), perhaps by chance: one of so many comparisons may look so%s",
			shown(size), word, shown(low), shown(high), c.more(o))
	case size < (high-low)/4:
		return fmt.Sprintf("no difference seen: at most %s %% either way%s", bound, c.more(o))
	}
	return fmt.Sprintf("%s %% %s, perhaps none: %s to %s%s", shown(size), word, shown(low), shown(high), c.more(o))
}

// worded names the direction of a difference: rates are faster, frame times longer.
func worded(log float64, metric string) string {
	kind, _ := analysis.MetricNamed(metric)
	switch {
	case kind.Rate && log >= 0:
		return "faster"
	case kind.Rate:
		return "slower"
	case log >= 0:
		return "longer"
	}
	return "shorter"
}

// Digits prints a margin in per cent without a sign, with one decimal where its interval has
// one: where the margin is below 10 % or known to a per cent.
func Digits(margin, low, high analysis.Number) string {
	if !margin.Known() {
		return "-"
	}
	return digits(analysis.Number(math.Abs(float64(margin))), decimals(margin, low, high))
}

// Signed is as [Digits], with a sign.
func Signed(margin, low, high analysis.Number) string {
	if !margin.Known() {
		return "-"
	}
	s := fmt.Sprintf("%+.*f", decimals(margin, low, high), 100*float64(margin))
	switch s {
	case "+0", "-0":
		return "0"
	case "-0.0", "+0.0":
		return "0.0"
	}
	return s
}

func decimals(margin, low, high analysis.Number) int {
	if math.Abs(float64(margin)) < 0.1 || high-low < 0.02 && low.Known() && high.Known() && high > low {
		return 1
	}
	return 0
}

func digits(x analysis.Number, n int) string {
	s := fmt.Sprintf("%.*f", n, 100*float64(x))
	if s == "-0.0" || s == "-0" {
		return s[1:]
	}
	return s
}

// most more passes of each cell that are thought of, for a statement (a convention).
const mostMore = 12

// more says how many more passes of each cell would tell, if the difference is what it looks
// like; "" where more than a dozen would be needed or no number of passes tells.
func (c comparison) more(o analysis.Options) string {
	level := o.Alpha
	if c.p > 0 && c.pHolm > c.p {
		level *= float64(c.p / c.pHolm) // what the adjustment over the table leaves of it
	}
	for n := 1; n <= mostMore; n++ {
		p := withMore(c.terms, func(float64) float64 { return float64(n) })
		if !(p.SE > 0) || !(p.DF > 0) {
			return ""
		}
		size := math.Abs(c.log)
		if size > stats.TQuantile(1-level/2, p.DF)*p.SE || size+stats.TQuantile(1-o.Alpha, p.DF)*p.SE < math.Log1p(o.Tie) {
			if n == 1 {
				return "; one more pass of each would tell"
			}
			return fmt.Sprintf("; %s more passes of each would tell", inWords(n))
		}
	}
	return ""
}

// withMore is the precision that a sum would have with more passes of each cell in the same
// sessions, at the same spread; more returns how many from how many there are.
func withMore(terms []variance.Term, more func(n float64) float64) variance.Precision {
	made := map[*variance.Basis]*variance.Basis{}
	out := make([]variance.Term, len(terms))
	for i, t := range terms {
		if made[t.Of] == nil {
			b := *t.Of
			n := more(b.N)
			b.N += n
			if !b.Pooled {
				b.DF += n
			}
			made[t.Of] = &b
		}
		out[i] = variance.Term{Of: made[t.Of], Weight: t.Weight}
	}
	return variance.Of(out...)
}

var numerals = [...]string{2: "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
	"twelve"}

func inWords(n int) string {
	if n < len(numerals) && n >= 0 {
		return cmp.Or(numerals[n], fmt.Sprint(n))
	}
	return fmt.Sprint(n)
}
