// Package critical is the rule by which the passes of a cell agree, one for the agent's
// check and for the averages of capctl, so that both say the same of the same passes.
//
// The range of ln(average) and of ln(1% low) over the passes is compared with a critical
// range q(p; n, v) s_r after ISO 5725-6:1994, clause 5: s_r is the repeatability of
// comparable cells, pooled, with v degrees of freedom, and q the point of the studentised
// range. Where there are fewer degrees of freedom than MinDF a stated limit holds instead,
// which is a convention, and two more conventions keep what history gives from being
// absurdly narrow or wide. The stated limit is widened for the 1% low by what the passes
// themselves show: a tail that rests on a few hitches repeats no better than hitches do.
// The passes' own spread is never used: the range of three is between 1.73 and 2 of their
// own standard deviations whatever they are. No pass is called the odd one.
package critical

import (
	"fmt"
	"math"
	"strings"
	"sync"

	"capd.example/record"
	"capd.example/stats"
)

// Names of the figures, as in JSON.
const (
	Average = "avg_fps"
	Low1    = "low1_fps"
)

// Rule holds the limits. They are printed with the result that used them.
type Rule struct {
	// Probability with which good passes lie within the critical range, for each figure.
	Probability float64
	MinDF       float64 // degrees of freedom below which the stated limits hold
	Average     Bounds
	Low1        Bounds
}

// Bounds are conventions for the range of one figure, in per cent.
type Bounds struct {
	Stated float64 // where there is too little history
	Least  float64 // a smaller difference is of no use to anybody
	Most   float64 // passes farther apart are no ground for a comparison, however badly the bench repeats
}

// Default is the rule of the standard check without settings.
var Default = Rule{Probability: 0.9975, MinDF: 6, Average: Bounds{3, 0.5, 10}, Low1: Bounds{10, 2, 30}}

// Result is what the rule says of one figure.
type Result struct {
	Metric string
	Unable string // why nothing can be said; "" where something is

	RangePercent, LimitPercent float64
	Accepted                   bool
	// Text says it for people: the range, the limit and where that is from.
	Text string
}

// Judge compares the averages and the 1% lows of passes, the one that is asked about
// last; spread is the repeatability of comparable other cells by figure.
func (r Rule) Judge(passes []record.Metrics, spread map[string]record.Spread) []Result {
	var avg, low []float64
	sparse, tail := false, 0.0
	for _, m := range passes {
		avg, low = append(avg, m.AvgFPS), append(low, m.Low1FPS)
		sparse = sparse || m.Low1Sparse
		tail += math.Pow(tailError(m), 2) / float64(len(passes))
	}
	out := []Result{r.Average.judge(r, Average, "averages", avg, 0, spread[Average])}
	if sparse {
		return append(out, Result{Metric: Low1, Unable: "1% lows, which rest on fewer than ten frames"})
	}
	return append(out, r.Low1.judge(r, Low1, "1% lows", low, math.Sqrt(tail), spread[Low1]))
}

func (b Bounds) judge(r Rule, metric, what string, y []float64, tail float64, s record.Spread) Result {
	out := Result{Metric: metric}
	ln := make([]float64, len(y))
	for i, v := range y {
		if !(v > 0) {
			out.Unable = fmt.Sprintf("%s: a pass has %g", what, v)
			return out
		}
		ln[i] = math.Log(v)
	}
	limit, why := b.limit(r, s, len(y), tail)
	a, err := stats.Agree(ln, limit)
	if err != nil {
		out.Unable = fmt.Sprintf("%s: %v", what, err)
		return out
	}
	out.Accepted = a.Accepted
	out.RangePercent, out.LimitPercent = 100*math.Expm1(a.Range), 100*math.Expm1(limit)
	spread, allowed := apart(out.RangePercent, out.LimitPercent)
	switch {
	case !a.Accepted:
		out.Text = fmt.Sprintf("the %s of %d passes (%s) differ by %s %%, more than %s %% (%s)", what, len(y), list(y), spread, allowed, why)
	case a.Range == 0 && len(y) > 1:
		out.Text = fmt.Sprintf("%s equal to the last digit, as copies of one log would be", what)
	default:
		out.Text = fmt.Sprintf("%s within %s %% (limit %s %%, %s)", what, spread, allowed, why)
	}
	return out
}

// limit returns the limit for the range of the logarithms and where it is from.
func (b Bounds) limit(r Rule, s record.Spread, n int, tail float64) (limit float64, why string) {
	if s.DF >= r.MinDF && s.SD > 0 {
		why = fmt.Sprintf("repeatability %.2f %% with %.0f degrees of freedom from %s", 100*s.SD, s.DF, s.From)
		return b.within(studentizedRange(r.Probability, n, s.DF)*s.SD, why)
	}
	stated := math.Log1p(b.Stated / 100)
	if tail > 0 {
		if own := studentizedRange(r.Probability, n, math.Inf(1)) * tail; own > stated {
			return own, "what so few hitches let a tail be known to, too little history"
		}
	}
	return stated, "stated limit, too little history"
}

// within keeps the critical range between two conventions.
func (b Bounds) within(limit float64, why string) (float64, string) {
	least, most := math.Log1p(b.Least/100), math.Log1p(b.Most/100)
	switch {
	case limit < least:
		return least, "least limit; " + why
	case limit > most:
		return most, "greatest limit; comparable cells repeat worse: " + why
	}
	return limit, why
}

// tailError returns the standard error of ln(1% low) that the hitches of a pass make,
// from its figures alone: what the k longest frames take beyond the 99th percentile is
// taken for a sum of a Poisson number of hitches of exponential length, whose variance is
// twice their number times the square of their mean length.
func tailError(m record.Metrics) float64 {
	k := math.Ceil(0.01 * float64(m.Frames))
	tail := 1000 * k / m.Low1FPS
	excess := tail - k*m.P99MS
	if !(tail > 0) || !(excess > 0) || math.IsInf(tail, 1) {
		return 0
	}
	return math.Sqrt(2/math.Max(1, float64(m.Hitches))) * excess / tail
}

// Advice says what to do about n passes that do not agree.
func Advice(n int) string {
	if n > 3 {
		return "look for what differs between the passes, then measure the cell again; until then its median stands, with a flag"
	}
	return "measure one more pass; until then the cell's median stands, with a flag"
}

// apart prints two percentages with as many digits as tell them apart, one at least.
func apart(a, b float64) (string, string) {
	for digits := 1; ; digits++ {
		x, y := fmt.Sprintf("%.*f", digits, a), fmt.Sprintf("%.*f", digits, b)
		if x != y || a == b || digits == 6 {
			return x, y
		}
	}
}

// list prints the values in the order of the passes.
func list(y []float64) string {
	out := make([]string, len(y))
	for i, v := range y {
		out[i] = fmt.Sprintf("%.1f", v)
	}
	return strings.Join(out, ", ") + " FPS"
}

// ranges keeps points of the studentised range, which take long to compute and of which
// the cells of a matrix ask for a few only.
var ranges struct {
	sync.Mutex
	of map[point]float64
}

type point struct {
	p, df float64
	n     int
}

// rangesKept bounds what is kept; fractional degrees of freedom hardly come twice.
const rangesKept = 10000

func studentizedRange(p float64, n int, df float64) float64 {
	ranges.Lock()
	defer ranges.Unlock()
	key := point{p, df, n}
	v, ok := ranges.of[key]
	if !ok {
		v = stats.StudentizedRange(p, n, df)
		if ranges.of == nil || len(ranges.of) >= rangesKept {
			ranges.of = map[point]float64{}
		}
		ranges.of[key] = v
	}
	return v
}
