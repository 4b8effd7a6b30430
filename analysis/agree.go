package analysis

import (
	"fmt"
	"math"

	"capd.example/record"
	"capd.example/stats"
)

// judge sets the agreement, the spread and the interval of each figure.
func (c *Cell) judge(p *pools, o Options) {
	index := p.indexOf(*c)
	c.Agree = record.Finding{Check: "agreement", Numbers: map[string]float64{"passes": float64(len(c.used))}}
	apart := map[string]bool{}
	if len(c.used) < 2 {
		c.Agree.Outcome, c.Agree.Reason = record.NotChecked, fmt.Sprintf("%d usable pass(es): nothing to compare", len(c.used))
	} else {
		c.Agree.Outcome = record.OK
		for _, m := range Metrics[:2] {
			apart[m.Name] = !c.agrees(p, index, m, o)
		}
	}
	for _, m := range Metrics {
		f := c.Figures[m.Name]
		f.Spread = p.spread(*c, m.Name)
		if apart[m.Name] {
			f.Shown = "median"
			f.Spread = Spread{SD: Number(f.ownSD), DF: Number(f.N - 1), From: "the cell's own passes: they do not agree"}
		}
		f.interval(o.Confidence)
		c.Figures[m.Name] = f
	}
}

func (p *pools) indexOf(c Cell) int {
	if len(c.used) == 0 {
		return -1
	}
	return p.owner[c.used[0].ID]
}

// agrees compares the range of the logarithms of one figure with the critical range (ISO
// 5725-6:1994, clause 5), from the repeatability of the other cells of the pool.
func (c *Cell) agrees(p *pools, index int, m Metric, o Options) bool {
	ln := make([]float64, 0, len(c.used))
	for _, u := range c.used {
		if v := m.Of(u.Metrics); positive(v) {
			ln = append(ln, math.Log(v))
		}
	}
	if len(ln) < 2 {
		return true
	}
	stated := o.AverageLimit
	if m.Name == Low1 {
		stated = o.Low1Limit
	}
	limit, why := math.Log1p(stated), "stated limit, too little to pool"
	if set := p.of(*c, m.Name); set != nil {
		if s, v := set.without(index); v >= o.MinDF && s > 0 {
			limit = within(studentizedRange(o.Agreement, len(ln), v)*s, m)
			why = fmt.Sprintf("repeatability %.2f %% with %.0f degrees of freedom from other cells of %s", 100*s, v, c.kind())
		}
	}
	a, err := stats.Agree(ln, limit)
	if err != nil {
		return true
	}
	spread, allowed := 100*math.Expm1(a.Range), 100*math.Expm1(limit)
	c.Agree.Numbers[m.Name+"_range_percent"] = spread
	c.Agree.Numbers[m.Name+"_limit_percent"] = allowed
	text := fmt.Sprintf("%s of %d passes within %.1f %% (limit %.1f %%, %s)", m.Text, len(ln), spread, allowed, why)
	if !a.Accepted {
		text = fmt.Sprintf("%s of %d passes differ by %.1f %%, more than %.1f %% (%s)", m.Text, len(ln), spread, allowed, why)
		c.Agree.Outcome = record.Doubtful
		c.Agree.Advice = "measure one more pass; until then the median stands"
		if len(ln) > 3 {
			c.Agree.Advice = "look for what differs between the passes, then measure the cell again; until then the median stands"
		}
	} else if a.Range == 0 {
		text += "; equal to the last digit, as copies of one log would be"
	}
	if c.Agree.Reason != "" {
		c.Agree.Reason += "; "
	}
	c.Agree.Reason += text
	return a.Accepted
}

// within keeps a critical range between two conventions, those of the agent's own check:
// cells that repeat to a hundredth of a per cent need not agree that well, and passes far
// apart are no ground for a comparison even where the bench always does that.
func within(limit float64, m Metric) float64 {
	least, most := 0.005, 0.10
	if m.Name == Low1 {
		least, most = 0.02, 0.30
	}
	return math.Max(math.Log1p(least), math.Min(limit, math.Log1p(most)))
}

// interval sets the interval from the spread.
func (f *Figure) interval(conf float64) {
	if f.N == 0 || !f.Spread.SD.Known() {
		return
	}
	f.CILow, f.CIHigh = logInterval(f.logMean, float64(f.Spread.SD)/math.Sqrt(float64(f.N)), float64(f.Spread.DF), conf)
}
