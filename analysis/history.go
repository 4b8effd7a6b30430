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
	o = o.withDefaults()
	same := slices.DeleteFunc(slices.Clone(history), func(h record.Pass) bool {
		return h.ID == p.ID || h.Bench != p.Bench || h.Tags.Value(record.TagGame) != p.Tags.Value(record.TagGame)
	})
	p.Verdict = record.Clean // it is not judged yet, and belongs to its cell whatever comes
	all := append(same, p)
	session := record.SessionOf(all)
	cells := group(all, o.Factors, session)
	for i := range cells {
		cells[i].measure(o.Confidence)
	}
	regimes(cells, o.Factors)
	own := slices.IndexFunc(cells, func(c Cell) bool {
		return slices.ContainsFunc(c.used, func(u record.Pass) bool { return u.ID == p.ID })
	})
	if own < 0 {
		return nil
	}
	o.History = nil
	return newPools(cells, session, o).others(cells[own], own, Metrics)
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
