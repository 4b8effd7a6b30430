package limit

import (
	"math"

	"capd.example/analysis"
	"capd.example/record"
	"capd.example/stats"
)

// exchange is what putting one part for another changes, all else alike: a difference of
// ln rate, with its standard error and how many of these are allowed for.
type exchange struct{ change, se, t float64 }

// allowed is the probability with which a change is within each of its limits (a convention).
const allowed = 0.95

func (e exchange) low() float64  { return e.change - e.t*e.se }
func (e exchange) high() float64 { return e.change + e.t*e.se }

// partOrder is how the parts of one kind compare. A part is better than another where it
// is shown to be, with any partner: which part a cell's rate depends on says nothing about
// which is better, and ceilings of parts that tie are told apart by noise alone. One order
// holds for all scenes and presets of a game, so that no part is better than another in
// one row and lesser in the next.
type partOrder struct {
	ahead [][]float64 // ahead[a][b]: how much more a has been shown to give than b, in ln rate, at the same scene and preset; 0 for not shown
	name  []string    // of the part alone
	shown map[[2]string]float64
}

// rank compares all parts of a kind, the processors or what a card has to do.
func (m model) rank(cells []analysis.Cell, processor bool, o analysis.Options) partOrder {
	values, factors := m.G.Values, analysis.CardOnly
	if processor {
		values, factors = m.C.Values, []string{record.TagProcessor}
	}
	r := partOrder{ahead: make([][]float64, len(values)), shown: map[[2]string]float64{}}
	for a, v := range values {
		r.ahead[a] = make([]float64, len(values))
		r.name = append(r.name, analysis.FactorKey(v, factors))
	}
	for i := range m.Points {
		for k := range m.Points {
			if !m.exchanged(i, k, processor) {
				continue
			}
			a, b := m.part(i, processor), m.part(k, processor)
			gain := m.exchange(cells, k, i, o).low()
			r.ahead[a][b] = math.Max(r.ahead[a][b], gain)
			pair := [2]string{r.name[a], r.name[b]}
			r.shown[pair] = math.Max(r.shown[pair], gain)
		}
	}
	if !processor {
		r.eased(values)
	}
	return r
}

// better reports whether a is shown to be better than b by what tells anything, and b
// nowhere better than a.
func (r partOrder) better(a, b int) bool {
	there, back := r.shown[[2]string{r.name[a], r.name[b]}], r.shown[[2]string{r.name[b], r.name[a]}]
	return there >= math.Log(analysis.StepRatio) && back < there/4
}

// exchange returns what putting the parts of point to for those of point from changes.
func (m model) exchange(cells []analysis.Cell, from, to int, o analysis.Options) exchange {
	a, b := cells[m.Of[from]].Figure(m.Metric), cells[m.Of[to]].Figure(m.Metric)
	e := exchange{change: b.Log() - a.Log()}
	se, df := analysis.Difference(a, b)
	if se > 0 && df > 0 {
		e.se, e.t = se, stats.TQuantile(allowed, df)
		return e
	}
	// Without a spread a change counts from the practical threshold on, of one pass alone
	// from three times that.
	e.se, e.t = o.Tie, 1
	if a.N == 1 || b.N == 1 {
		e.t = 3
	}
	return e
}

// least returns the smallest change that exchanging a kind of part makes in a cell; +Inf
// where there is no other.
func (m model) least(cells []analysis.Cell, point int, processor bool, o analysis.Options) float64 {
	small := math.Inf(1)
	for k := range m.Points {
		if m.exchanged(point, k, processor) {
			small = math.Min(small, math.Abs(m.exchange(cells, point, k, o).change))
		}
	}
	return small
}

// exchanged reports whether two cells differ by that kind of part alone.
func (m model) exchanged(a, b int, processor bool) bool {
	p, q := m.Points[a], m.Points[b]
	if processor {
		return p.G == q.G && p.C != q.C
	}
	return p.C == q.C && p.G != q.G
}

// part returns the number of a point's part of a kind.
func (m model) part(point int, processor bool) int {
	if processor {
		return m.Points[point].C
	}
	return m.Points[point].G
}

// sharpness is a lower and an upper value of the soft minimum's q, by which exchanges are
// read.
type sharpness struct{ soft, hard float64 }

// shareOf bounds the share of one kind of part in a cell by exchanging that kind.
//
// If both parts were faster by a factor, so would be the rate, and the better a part is,
// the less it limits. So the share is at most what a lesser part loses in the mean over the
// way down, of which at least the difference it has shown elsewhere is known. Where a
// better part gains x, of a difference of d at least, a soft minimum of sharpness q has a
// share of (1 - exp(-q x)) / (1 - exp(-q d)) at most, and of 1 - exp(-q x) at least, which
// a part without limit would need.
func (m model) shareOf(cells []analysis.Cell, point int, processor bool, r partOrder, q sharpness, o analysis.Options) (least, most float64) {
	most = 1
	me := m.part(point, processor)
	for k := range m.Points {
		if !m.exchanged(point, k, processor) {
			continue
		}
		other, e := m.part(k, processor), m.exchange(cells, point, k, o)
		switch {
		case r.better(me, other) && r.ahead[me][other] > 0:
			most = math.Min(most, math.Max(0, -e.low())/r.ahead[me][other])
		case r.better(other, me) && r.ahead[other][me] > 0:
			most = math.Min(most, math.Expm1(-q.hard*math.Max(0, e.high()))/math.Expm1(-q.hard*r.ahead[other][me]))
			least = math.Max(least, -math.Expm1(-q.soft*math.Max(0, e.low())))
		}
	}
	return least, most
}
