// Package critical is the rule by which the passes of a cell agree, one for the agent's
// check, for passes that are judged again and for the averages of capctl, so that all say
// the same of the same passes.
//
// The range of ln(average) and of ln(1% low) over the passes is compared with a critical
// range q(p; n, v) s_r after ISO 5725-6:1994, clause 5: s_r is the repeatability of
// comparable cells, pooled, with v degrees of freedom, and q the point of the studentised
// range. Where there are fewer degrees of freedom than MinDF a stated limit holds instead,
// which is a convention, and two more conventions keep what history gives from being
// absurdly narrow or wide. Stated and greatest limit of the 1% low are widened by what the
// passes themselves show: a tail that rests on a few hitches repeats no better than hitches
// do, and that of a short pass worse than that of a long one. The passes' own spread is never used: the range of three is between 1.73 and 2 of
// their own standard deviations whatever they are.
//
// Sessions shift all passes of theirs alike, so passes of one session are compared, and s_r
// is that within sessions. A pass that is alone in its session is compared with the middle of
// other sessions, against what passes of different sessions do: the intermediate precision
// of ISO 5725-3:1994, whose variance is s_r^2 + s_B^2; where that is not known, the stated
// limits hold.
//
// Where passes do not agree, cell.go says which of them stand apart, if that can be told.
package critical

import (
	"math"
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
	// Latest is how many passes are compared with each other at a time, 0 for all: see [Rule.Verdicts].
	Latest int
}

// Bounds are conventions for the range of one figure, in per cent.
type Bounds struct {
	Stated float64 // where there is too little history
	Least  float64 // a smaller difference is of no use to anybody
	Most   float64 // passes farther apart are no ground for a comparison, however badly the bench repeats
}

// Default is the rule of the standard check without settings.
var Default = Rule{Probability: 0.9975, MinDF: 6, Average: Bounds{3, 0.5, 10}, Low1: Bounds{10, 2, 30}, Latest: 6}

// limit is how far the logarithms of a figure may lie apart, and why.
type limit struct {
	ln     float64
	kind   kind
	from   record.Spread
	across bool // between passes of different sessions
}

// kind is what a limit comes from.
type kind int

const (
	known  kind = iota // what comparable cells repeat to
	least              // they repeat better than anybody needs
	most               // they repeat too badly to compare anything
	stated             // too little is known of them
	tail               // so few hitches make the tail that this is to be expected
)

func (l limit) percent() float64 { return 100 * math.Expm1(l.ln) }

// fullPass is the number of frames that the greatest limit of the 1% low is meant for: a
// minute at 100 frames per second. The error of a tail grows as the root of what shorter
// passes lack.
const fullPass = 6000

// limit returns the limit for n passes; tailError is the standard error of the logarithm that
// the passes' own hitches make, few how many times as far apart short passes may lie.
func (b Bounds) limit(r Rule, s record.Spread, n int, tailError, few float64) limit {
	own := 0.0
	if tailError > 0 {
		own = studentizedRange(r.Probability, n, math.Inf(1)) * tailError
	}
	if s.DF >= r.MinDF && s.SD > 0 {
		l := limit{ln: studentizedRange(r.Probability, n, s.DF) * s.SD, kind: known, from: s}
		lo, hi := math.Log1p(b.Least/100), few*math.Log1p(b.Most/100)
		switch {
		case l.ln < lo:
			return limit{ln: lo, kind: least, from: s}
		case l.ln > hi && own > hi:
			return limit{ln: min(l.ln, own), kind: tail, from: s}
		case l.ln > hi:
			return limit{ln: hi, kind: most, from: s}
		}
		return l
	}
	l := limit{ln: math.Log1p(b.Stated / 100), kind: stated}
	if own > l.ln {
		l.ln, l.kind = own, tail
	}
	return l
}

// tailError returns the standard error of ln(1% low) within one pass, from its figures
// alone: the larger of two estimates.
//
// The variance of the mean beyond a quantile q, which is what the k longest frames have, is
// (v + (m - q)^2) / k for independent frames, m the mean and v the variance beyond q (the
// expected shortfall; Manistre and Hancock, North American Actuarial Journal 9(2), 2005, from
// memory). The variance is put together from the longest tenth of the k and the rest, each
// taken for an exponential beyond where it begins. Frames are not independent, though: long
// ones come in runs, by which the error is runs times as large.
//
// Where fewer hitches than k frames make the tail it is a sum of a Poisson number of hitches
// of exponential length, whose variance is twice their number times the square of their mean
// length.
func tailError(m record.Metrics) float64 {
	k, k01 := math.Ceil(0.01*float64(m.Frames)), math.Ceil(0.001*float64(m.Frames))
	mean := 1000 / m.Low1FPS
	if excess := mean - m.P99MS; !(mean > 0) || !(excess > 0) || math.IsInf(mean, 1) {
		return 0
	}
	excess := mean - m.P99MS
	hitches := math.Sqrt(2/math.Max(1, float64(m.Hitches))) * excess / mean
	top, part := 1000/m.Low01FPS, k01/k
	if !(top >= mean) || math.IsInf(top, 1) || !(part < 1) {
		return hitches
	}
	rest := (mean - part*top) / (1 - part)
	v := part*math.Pow(max(0, top-m.P999MS), 2) + (1-part)*math.Pow(max(0, rest-m.P99MS), 2) +
		part*(1-part)*math.Pow(top-rest, 2)
	return max(hitches, runs*math.Sqrt((v+excess*excess)/k)/mean)
}

// runs is by how much frames that come in runs make the error of a tail larger; found on
// recorded passes, see tail_test.go.
const runs = 3

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
