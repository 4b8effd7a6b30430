package analysis

import (
	"fmt"
	"math"
	"strings"

	"capd.example/internal/critical"
	"capd.example/record"
)

// judge sets the agreement, the spread and the interval of each figure.
func (c *Cell) judge(p *pools, o Options) {
	apart := c.agree(p, o)
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

// agree sets the finding about the agreement of the passes, as the agent's own check has
// it, and returns the figures that do not agree.
func (c *Cell) agree(p *pools, o Options) map[string]bool {
	c.Agree = record.Finding{Check: "agreement", Numbers: map[string]float64{"passes": float64(len(c.used))}}
	if n := len(c.used); n < 2 {
		c.Agree.Outcome, c.Agree.Reason = record.NotChecked, [...]string{"no usable pass", "one usable pass: nothing to compare"}[n]
		return nil
	}
	set := make([]critical.Pass, 0, len(c.used))
	for _, u := range c.used {
		set = append(set, critical.PassOf(u))
	}
	c.Agree.Outcome = record.NotChecked
	apart := map[string]bool{}
	var said []string
	for _, r := range o.Agreement.Compare(set, p.others(*c, p.indexOf(*c), Metrics[:2])) {
		said = append(said, r.Text())
		if r.Unable != "" {
			continue
		}
		short := strings.TrimSuffix(r.Metric, "_fps")
		c.Agree.Numbers[short+"_range_percent"], c.Agree.Numbers[short+"_limit_percent"] = r.RangePercent, r.LimitPercent
		if c.Agree.Outcome == record.NotChecked {
			c.Agree.Outcome = record.OK
		}
		if !r.Accepted {
			apart[r.Metric] = true
			c.Agree.Outcome, c.Agree.Advice = record.Doubtful, r.Advice()
		}
	}
	c.Agree.Reason = strings.Join(said, "; ")
	if c.Agree.Outcome == record.OK {
		c.Agree.Reason = fmt.Sprintf("%d passes agree: %s", len(set), c.Agree.Reason)
	}
	return apart
}

func (p *pools) indexOf(c Cell) int {
	if len(c.used) == 0 {
		return -1
	}
	return p.owner[c.used[0].ID]
}

// interval sets the interval from the spread.
func (f *Figure) interval(conf float64) {
	if f.N == 0 || !f.Spread.SD.Known() {
		return
	}
	f.CILow, f.CIHigh = logInterval(f.logMean, float64(f.Spread.SD)/math.Sqrt(float64(f.N)), float64(f.Spread.DF), conf)
}

// sparse reports whether the figure of a pass that counts rests on too few frames.
func (c Cell) sparse(metric string) bool {
	m, _ := MetricNamed(metric)
	for _, u := range c.used {
		if m.sparse(u.Metrics) {
			return true
		}
	}
	return false
}
