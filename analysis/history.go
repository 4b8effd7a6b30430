package analysis

import (
	"fmt"
	"slices"

	"capd.example/record"
)

// Repeatability returns what the cells of history show about how well passes like p
// repeat, by metric: the repeatability standard deviation of a logarithm, pooled over
// cells of the same game on the same bench that the same part limits (ISO 5725-2). The
// cell of p itself does not count, nor do passes judged bad. A metric is missing where
// nothing comparable was measured or where the cells do not have one spread (Cochran's C
// and Bartlett's test at the level Homogeneity).
//
// History should be the passes that started before p; what they are like now counts.
func Repeatability(p record.Pass, history []record.Pass, o Options) map[string]record.Spread {
	same := slices.DeleteFunc(slices.Clone(history), func(h record.Pass) bool { return h.Tags.Value(record.TagGame) != p.Tags.Value(record.TagGame) })
	own, cells, session := beside(p, same, o)
	if own < 0 {
		return nil
	}
	return newPools(cells, session, o.ofHistory()).others(cells[own], own, Metrics)
}

// AcrossSessions returns the same for passes of different sessions: the variance within a
// session and that of what sessions of the bench shift, added up (ISO 5725-3:1994). A
// metric is missing where one of the two is not known, from history or by SessionSD. What
// sessions shift is from the cells of all games in history but that of p.
func AcrossSessions(p record.Pass, history []record.Pass, o Options) map[string]record.Spread {
	own, cells, session := beside(p, history, o)
	if own < 0 {
		return nil
	}
	o = o.ofHistory()
	pools := newPools(cells, session, o)
	spreads := sessionSpreads(slices.Delete(slices.Clone(cells), own, own+1), pools, regimeOfCells(cells, o.Factors), o)
	out := map[string]record.Spread{}
	for metric, w := range pools.others(cells[own], own, Metrics) {
		s := spreads[benchMetric{p.Bench, metric}]
		if !s.Known() {
			continue
		}
		se, df := s.Total(w.SD, w.DF)
		out[metric] = record.Spread{SD: se, DF: df, From: w.From + "; sessions: " + s.From}
	}
	return out
}

func (o Options) ofHistory() Options {
	o = o.WithDefaults()
	o.History = nil
	return o
}

// beside returns the cells of p and of history on its bench, in which of them p is, and the
// sessions of their passes.
func beside(p record.Pass, history []record.Pass, o Options) (own int, cells []Cell, session map[string]string) {
	o = o.ofHistory()
	all := slices.DeleteFunc(slices.Clone(history), func(h record.Pass) bool { return h.ID == p.ID || h.Bench != p.Bench })
	p.Verdict = record.Clean // it is not judged yet, and belongs to its cell whatever comes
	all = append(all, p)
	session = record.SessionOf(all)
	cells = group(all, o.Factors, session)
	for i := range cells {
		cells[i].measure(o.Confidence)
	}
	regimes(cells, o.Factors)
	own = slices.IndexFunc(cells, func(c Cell) bool {
		return slices.ContainsFunc(c.used, func(u record.Pass) bool { return u.ID == p.ID })
	})
	return own, cells, session
}

// others returns the pooled spread of the cells beside c by metric.
func (p *pools) others(c Cell, index int, metrics []Metric) map[string]record.Spread {
	out := map[string]record.Spread{}
	for _, m := range metrics {
		set := p.sets[c.poolKey(m.Name, false)]
		if set == nil {
			continue
		}
		if s, v, sets := set.without(index); v > 0 && s > 0 {
			out[m.Name] = record.Spread{SD: s, DF: v, From: fmt.Sprintf("%s of passes of %s", record.Count(sets, "other set"), c.kind())}
		}
	}
	return out
}
