package campaign

import (
	"math"
	"slices"

	"capd.example/record"
)

// Estimate says what a plan costs. Times are minutes.
type Estimate struct {
	Cells    int      `json:"cells"`
	Passes   int      `json:"passes"`
	PassTime float64  `json:"pass_minutes"` // lead-in and recording of all passes
	Changes  []Change `json:"changes"`      // costliest factor first
	// ChangeTime is the sum of all changes along the order of the plan.
	ChangeTime float64 `json:"change_minutes"`
	Total      float64 `json:"total_minutes"`
	Days       float64 `json:"days"` // of HoursPerDay each
	Hours      float64 `json:"hours_per_day"`
	// Unknown names the games whose pass takes an unknown time; they count as 0.
	Unknown []string `json:"unknown_games,omitempty"`
}

// Change counts the changes of one factor along a plan.
type Change struct {
	Factor string  `json:"factor"`
	Times  int     `json:"times"`
	Each   float64 `json:"each_minutes"`
	Sum    float64 `json:"sum_minutes"`
}

// Estimate adds up the plan at the given hours of work a day; 0 takes the campaign's.
func (p *Plan) Estimate(hours float64) Estimate {
	if hours == 0 {
		hours = p.Campaign.HoursPerDay
	}
	e := Estimate{Cells: p.n, Passes: p.n * p.Campaign.Passes, Hours: hours}
	e.PassTime, e.Unknown = p.passTime()
	times := make([]int, len(p.nest))
	for i := 1; i < p.n; i++ {
		a, b := p.row(i-1), p.row(i)
		for d := range a {
			if a[d] != b[d] {
				times[d]++
			}
		}
	}
	for d, f := range p.Factors() {
		c := Change{Factor: f.Name, Times: times[d], Each: f.ChangeMinutes, Sum: float64(times[d]) * f.ChangeMinutes}
		e.Changes = append(e.Changes, c)
		e.ChangeTime += c.Sum
	}
	e.Total = e.PassTime + e.ChangeTime
	e.Days = e.Total / 60 / hours
	return e
}

// passTime adds up the time of all passes and names the games of unknown time.
func (p *Plan) passTime() (sum float64, unknown []string) {
	depth := p.Depth(record.TagGame)
	per := make([]int, len(p.Campaign.Games))
	for i := range p.n {
		per[p.Level(i, depth)]++
	}
	for i, g := range p.Campaign.Games {
		if per[i] > 0 && g.PassMinutes == 0 {
			unknown = append(unknown, g.Name)
		}
		sum += float64(per[i]*p.Campaign.Passes) * g.PassMinutes
	}
	return sum, unknown
}

// Depth returns where a factor stands in the nesting, -1 where there is none.
func (p *Plan) Depth(factor string) int {
	for d, f := range p.nest {
		if p.Campaign.Factors[f].Name == factor {
			return d
		}
	}
	return -1
}

// Bound returns minutes of changes below which no order of these cells can be.
//
// Let D(f) be the number of different beginnings of cells up to factor f in the order of
// nesting, w(f) its cost, D(0) = 1. Whatever the order, the steps that change one of the
// first f factors must connect D(f) groups of cells, so there are at least D(f) - 1 of
// them, and each costs at least the weight of the costliest factor that it changes. With
// falling weights the sum is at least the sum over f of w(f) (D(f) - D(f-1)), which is the
// weight of a minimum spanning tree (Kruskal 1956) under the costliest factor alone.
// Where each step changes a single factor, as in a full product, the plan reaches it.
func (p *Plan) Bound() float64 {
	beginnings := make([]int, len(p.nest)) // D(f), as the plan visits each group in one go
	for d := range beginnings {
		beginnings[d] = 1
	}
	for i := 1; i < p.n; i++ {
		for d := p.differ(i-1, i); d < len(p.nest); d++ {
			beginnings[d]++
		}
	}
	sum, before := 0.0, 1
	for d, f := range p.nest {
		sum += p.Campaign.Factors[f].ChangeMinutes * float64(beginnings[d]-before)
		before = beginnings[d]
	}
	return sum
}

// GreedyLimit is the number of cells up to which [Plan.Greedy] is worked out.
const GreedyLimit = 3000

// Greedy returns the minutes of changes of the order that always goes to the cheapest
// cell left, the earliest in the plan where several are, from the plan's first cell; NaN
// above [GreedyLimit] cells, as it takes time in the square of their number.
func (p *Plan) Greedy() float64 {
	if p.n > GreedyLimit {
		return math.NaN()
	}
	left := make([]int, 0, p.n-1)
	for i := 1; i < p.n; i++ {
		left = append(left, i)
	}
	sum, at := 0.0, 0
	for len(left) > 0 {
		best, least := 0, math.Inf(1)
		for k, i := range left {
			if c := p.Cost(at, i); c < least {
				best, least = k, c
			}
		}
		sum += least
		at = left[best]
		left = append(left[:best], left[best+1:]...)
	}
	return sum
}

// Written returns the minutes of changes of the order that nested loops would give: the
// factors in the order of the campaign, every list from its beginning each time.
func (p *Plan) Written() float64 {
	c := p.Campaign
	loops := make([]int, len(c.Factors))
	for i := range loops {
		loops[i] = i
	}
	rows := slices.Collect(slices.Chunk(c.product(loops), len(loops)))
	slices.SortFunc(rows, slices.Compare[[]uint16])
	sum := 0.0
	for i := 1; i < len(rows); i++ {
		for d := range loops {
			if rows[i][d] != rows[i-1][d] {
				sum += c.Factors[d].ChangeMinutes
			}
		}
	}
	return sum
}
