package analysis

import (
	"fmt"
	"math"

	"capd.example/internal/critical"
	"capd.example/record"
)

// Options are the thresholds of the analysis. The zero value means the defaults; each
// is stated with the result that used it.
type Options struct {
	Factors []string // tags that make a cell; nil: [record.CellFactors]

	// History are more passes of the same benches, whose spread counts for the
	// repeatability but which are not listed.
	History []record.Pass

	// Elsewhere are passes of other campaigns. Of them counts alone how much sessions of a
	// bench differ, by the cells that were measured in several under the same conditions.
	Elsewhere []record.Pass

	// Systems are what was detected, by the identity of the system; where one is missing its
	// identity stands for what differs.
	Systems map[string]record.System

	// Levels are the levels of factors in the order in which cells are to be listed; nil: in
	// the natural order of their names.
	Levels map[string][]string

	Confidence float64 // of intervals; 0: 0.95
	MinDF      float64 // degrees of freedom below which nothing is pooled; 0: 6

	// Agreement is the rule by which passes agree, that of the agent's own check; zero:
	// [critical.Default].
	Agreement critical.Rule
	// Homogeneity is the level at which sets of spreads count as too different to be
	// pooled; 0: 0.01.
	Homogeneity float64
	// Tie is the relative difference that is of no practical use; 0: 0.01.
	Tie float64
	// SessionSD is the standard deviation of what a session shifts all rates of a bench by,
	// as a logarithm, where it was not measured; 0: nothing is known of it then.
	SessionSD float64
	// Alpha is the level of the tests behind a call; 0: 0.05.
	Alpha float64
}

// ConfidencePercent names the intervals for people: "95 %".
func (o Options) ConfidencePercent() string {
	return fmt.Sprintf("%.6g %%", 100*o.WithDefaults().Confidence)
}

func (o Options) WithDefaults() Options {
	if len(o.Factors) == 0 {
		o.Factors = record.CellFactors
	}
	for _, d := range []struct {
		v     *float64
		value float64
	}{
		{&o.Confidence, 0.95}, {&o.MinDF, 6}, {&o.Homogeneity, 0.01}, {&o.Tie, 0.01}, {&o.Alpha, 0.05},
	} {
		if *d.v == 0 || math.IsNaN(*d.v) {
			*d.v = d.value
		}
	}
	if o.Agreement == (critical.Rule{}) {
		o.Agreement = critical.Default
	}
	return o
}
