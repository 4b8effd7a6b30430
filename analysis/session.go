package analysis

import (
	"math"

	"capd.example/analysis/variance"
	"capd.example/stats"
)

type benchMetric struct{ bench, metric string }

// sessionSpreads estimates the spread between sessions per bench and figure from all cells
// that were measured in several of them under the same conditions.
func sessionSpreads(cells []Cell, p *pools, regime map[string]Regime, o Options) map[benchMetric]*variance.Sessions {
	type gathered struct {
		means  []stats.GroupMean
		groups map[string]int
	}
	all := map[benchMetric]*gathered{}
	benches := map[string]bool{}
	item := 0
	for _, c := range cells {
		if len(c.used) > 0 {
			c.Regime = regime[cellKey(c.used[0].Tags, o.Factors)]
		}
		for _, g := range c.groups {
			benches[c.used[g[0]].Bench] = true
			sets := c.bySession(g)
			if len(sets) < 2 {
				continue
			}
			item++
			bench := c.used[g[0]].Bench
			for _, m := range Metrics {
				var means []stats.GroupMean
				at := benchMetric{bench, m.Name}
				x := all[at]
				if x == nil {
					x = &gathered{groups: map[string]int{}}
				}
				for _, set := range sets {
					ln := c.logs(m, set)
					sd := p.within(c, c.used[g[0]], m.Name)
					if len(ln) == 0 || !(sd > 0) {
						continue
					}
					session := c.session[set[0]]
					if _, seen := x.groups[session]; !seen {
						x.groups[session] = len(x.groups)
					}
					means = append(means, stats.GroupMean{Item: item, Group: x.groups[session], Mean: meanSD(ln).mean, Var: sd * sd / float64(len(ln))})
				}
				if len(means) > 1 {
					x.means = append(x.means, means...)
					all[at] = x
				}
			}
		}
	}
	out := map[benchMetric]*variance.Sessions{}
	for bench := range benches {
		for _, m := range Metrics {
			at := benchMetric{bench, m.Name}
			var means []stats.GroupMean
			if x := all[at]; x != nil {
				means = x.means
			}
			out[at] = variance.NewSessions(means, o.SessionSD)
		}
	}
	return out
}

// bySession divides indexes of passes into those of one session each.
func (c Cell) bySession(indexes []int) [][]int {
	at := map[string]int{}
	var out [][]int
	for _, i := range indexes {
		s := c.session[i]
		k, seen := at[s]
		if !seen {
			k = len(out)
			at[s] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], i)
	}
	return out
}

func (c Cell) logs(m Metric, indexes []int) []float64 {
	ln := make([]float64, 0, len(indexes))
	for _, i := range indexes {
		if v := m.Of(c.used[i].Metrics); Positive(v) {
			ln = append(ln, math.Log(v))
		}
	}
	return ln
}

// BothKnown reports whether the interval across sessions and that of repeats within one are
// both known and differ.
func (f Figure) BothKnown() bool { return f.between != nil }

// SessionsOf says in words, for the head of a table, what the intervals of cells hold for.
func SessionsOf(cells []Cell, o Options) string {
	var h variance.Heading
	for _, c := range cells {
		for _, m := range Metrics[:2] {
			f := c.Figures[m.Name]
			if f.CILow.Known() {
				h.Add(f.Covers, f.between, m.Text)
			}
		}
	}
	return h.String(o.ConfidencePercent())
}
