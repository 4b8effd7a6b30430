package analysis

import (
	"fmt"
	"strings"

	"capd.example/analysis/variance"
	"capd.example/internal/critical"
	"capd.example/record"
)

// judge sets the agreement, the spread and the interval of each figure.
func (c *Cell) judge(p *pools, sessions map[benchMetric]*variance.Sessions, o Options) {
	apart := c.agree(p, o)
	for _, m := range Metrics {
		f := c.Figures[m.Name]
		f.Spread = p.spread(*c, m.Name)
		if apart[m.Name] {
			f.Shown = "median"
			f.Spread = Spread{SD: Number(f.ownSD), DF: Number(f.ownDF), From: "the cell's own passes: they do not agree"}
		}
		f.rest(*c, m, sessions)
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
	c.Agree.Outcome = record.NotChecked
	if !c.used[0].Tags.NamesCell() {
		c.Agree = critical.NotComparable(c.Agree, "ID")
		return nil
	}
	apart := map[string]bool{}
	var said []string
	for _, set := range c.together() {
		for _, r := range o.Agreement.Compare(set, p.others(*c, p.indexOf(*c), Metrics[:2])) {
			said = append(said, r.Text())
			if r.Unable != "" {
				continue
			}
			short := strings.TrimSuffix(r.Metric, "_fps")
			if before, is := c.Agree.Numbers[short+"_range_percent"]; !is || r.RangePercent/r.LimitPercent > before/c.Agree.Numbers[short+"_limit_percent"] {
				c.Agree.Numbers[short+"_range_percent"], c.Agree.Numbers[short+"_limit_percent"] = r.RangePercent, r.LimitPercent
			}
			if c.Agree.Outcome == record.NotChecked {
				c.Agree.Outcome = record.OK
			}
			if !r.Accepted {
				apart[r.Metric] = true
				c.Agree.Outcome, c.Agree.Advice = record.Doubtful, r.Advice()
			}
		}
	}
	if len(said) == 0 {
		said = append(said, "no two passes of one session: nothing to compare")
	}
	c.Agree.Reason = strings.Join(said, "; ")
	if c.Agree.Outcome == record.OK {
		c.Agree.Reason = fmt.Sprintf("%d passes agree: %s", len(c.used), c.Agree.Reason)
	}
	return apart
}

// together returns the passes that must agree: those of one session, as sessions shift them.
func (c *Cell) together() [][]critical.Pass {
	all := make([]int, len(c.used))
	for i := range all {
		all[i] = i
	}
	var out [][]critical.Pass
	for _, indexes := range c.bySession(all) {
		if len(indexes) < 2 {
			continue
		}
		set := make([]critical.Pass, 0, len(indexes))
		for _, i := range indexes {
			set = append(set, critical.PassOf(c.used[i]))
		}
		out = append(out, set)
	}
	return out
}

// rest gathers what the figure's intervals rest on.
func (f *Figure) rest(c Cell, m Metric, sessions map[benchMetric]*variance.Sessions) {
	if f.N == 0 || !f.Spread.SD.Known() {
		return
	}
	b := &variance.Basis{Cell: m.Name + "\x00" + cellKey(c.used[0].Tags, c.order), Pool: f.Spread.key, Pooled: f.Spread.Pooled, SD: float64(f.Spread.SD), DF: float64(f.Spread.DF),
		N: float64(f.N), Across: f.Spread.across}
	var index []int
	for i, u := range c.used {
		if Positive(m.Of(u.Metrics)) {
			index = append(index, i)
		}
	}
	sets := c.bySession(index)
	if b.Across {
		b.N = float64(len(sets))
	} else {
		for _, set := range sets {
			b.Shares = append(b.Shares, variance.Share{Session: c.session[set[0]], Part: float64(len(set)) / float64(len(index)), Of: sessions[benchMetric{c.used[set[0]].Bench, m.Name}]})
		}
	}
	f.basis = b
}

func (p *pools) indexOf(c Cell) int {
	if len(c.used) == 0 {
		return -1
	}
	return p.owner[c.used[0].ID]
}

// interval sets the interval from the spread.
func (f *Figure) interval(conf float64) {
	if f.basis == nil {
		return
	}
	p := variance.Of(variance.Term{Of: f.basis, Weight: 1})
	f.Covers, f.between = p.Covers, p.Sessions
	f.CILow, f.CIHigh = logInterval(f.logMean, p.SE, p.DF, conf)
	f.SessionLow, f.SessionHigh = logInterval(f.logMean, p.SessionSE, p.SessionDF, conf)
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
