// Package agreement asks whether the passes of a cell agree, by the rule of
// [capd.example/internal/critical], which states method and sources: the range of the
// averages and of the 1% lows of one session against what repeats of comparable cells do; a
// pass that is alone in its session against other sessions. A pass that
// stands apart is named; none is dropped.
package agreement

import (
	"context"

	"capd.example/internal/critical"
	"capd.example/plugins"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: critical.Check, Version: "5",
		About: "the passes of the cell agree within what repeats of the kind do",
		Needs: []string{"earlier passes of the cell", "repeatability of comparable cells (else stated limits)"},
		Parameters: []plugins.Parameter{
			plugins.Num("confidence", "0.9975", "",
				"probability with which good passes are within the critical range, for each of the two figures"),
			plugins.Num("min_df", "6", "", "degrees of freedom below which the stated limits hold"),
			plugins.Num("avg_limit_percent", "3", "%", "stated limit for the range of the averages (a convention)"),
			plugins.Num("low1_limit_percent", "10", "%", "stated limit for the range of the 1% lows (a convention)"),
			plugins.Num("avg_least_percent", "0.5", "%",
				"least limit for the averages: a smaller difference is of no use to anybody (a convention)"),
			plugins.Num("avg_most_percent", "10", "%",
				"greatest limit for the averages, however badly the bench repeats (a convention)"),
			plugins.Num("low1_least_percent", "2", "%", "least limit for the 1% lows (a convention)"),
			plugins.Num("low1_most_percent", "30", "%",
				"greatest limit for the 1% lows of passes of 6,000 frames that comparable cells can give; more for shorter ones, and where few hitches make the tails (a convention)"),
			{Name: "latest", Type: plugins.Integer, Default: "6",
				About: "how many passes of the cell are compared with each other at a time; 0 for all"},
		},
	}
}

// RuleOf is the rule that settings of this check make: what judges averages afterwards
// uses it too.
func RuleOf(settings map[string]string) (critical.Rule, error) {
	p, err := Validator{}.Describe().Resolve(settings)
	return rule(p), err
}

func rule(p plugins.Params) critical.Rule {
	bounds := func(figure string) critical.Bounds {
		return critical.Bounds{Stated: p.Number(figure + "_limit_percent"), Least: p.Number(figure + "_least_percent"),
			Most: p.Number(figure + "_most_percent")}
	}
	return critical.Rule{Probability: p.Number("confidence"), MinDF: p.Number("min_df"), Average: bounds("avg"),
		Low1:   bounds("low1"),
		Latest: p.Integer("latest")}
}

// Check implements [plugins.Validator]: it compares the pass with those before it, as if
// nothing else were wrong with it. Where the whole cell and what other checks found is
// known, and how far sessions differ, the verdicts of its passes come from the same rule,
// [critical.Rule.Verdicts].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	if len(e.Earlier) == 0 && !e.Pass.Tags.NamesCell() {
		return critical.NotComparable(record.Finding{}, e.Pass.ID)
	}
	cell := []record.Pass{e.Pass}
	for _, x := range e.Earlier {
		cell = append(cell, x.Pass)
	}
	return rule(p).Verdicts(critical.PassesOf(cell), e.Spread, nil)[e.Pass.ID]
}
