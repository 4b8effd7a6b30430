package compare

import (
	"capd.example/analysis"
	"capd.example/analysis/variance"
)

// BothKnown reports whether the interval across sessions and that of repeats within one are
// both known and differ.
func (m Margin) BothKnown() bool {
	return m.precision.BothKnown() && m.Covers == variance.CoversSessions
}

// BothKnown is as for a [Margin].
func (t Total) BothKnown() bool {
	return t.precision.BothKnown() && t.Covers == variance.CoversSessions
}

// SessionsOfMargins says in words, for the head of a table, what the intervals of margins hold
// for.
func SessionsOfMargins(margins []Margin, o analysis.Options) string {
	var h variance.Heading
	for _, m := range margins {
		if m.CILow.Known() {
			add(&h, m.precision, m.Metric)
		}
	}
	return h.String(o.ConfidencePercent())
}

// SessionsOfTotals says in words what the intervals of means over games hold for.
func SessionsOfTotals(totals []Total, o analysis.Options) string {
	var h variance.Heading
	for _, t := range totals {
		if t.CILow.Known() {
			add(&h, t.precision, t.Metric)
		}
	}
	return h.String(o.ConfidencePercent())
}

func add(h *variance.Heading, p variance.Precision, metric string) {
	m, _ := analysis.MetricNamed(metric)
	h.Add(p.Covers, p.Sessions, m.Text)
}
