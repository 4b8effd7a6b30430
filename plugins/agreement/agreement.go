// Package agreement asks whether the passes of a cell agree, by the rule of
// [capd.example/internal/critical], which states method and sources: the range of the
// averages and of the 1% lows against what repeats of comparable cells do. No pass is
// called the odd one and none is dropped.
package agreement

import (
	"context"
	"fmt"
	"strings"

	"capd.example/internal/critical"
	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "agreement", Version: "3",
		About: "the passes of the cell agree within what repeats of the kind do",
		Needs: []string{"earlier passes of the cell", "repeatability of comparable cells (else stated limits)"},
		Parameters: []plugins.Parameter{
			pick.Num("confidence", "0.9975", "", "probability with which good passes are within the critical range, for each of the two figures"),
			pick.Num("min_df", "6", "", "degrees of freedom below which the stated limits hold"),
			pick.Num("avg_limit_percent", "3", "%", "stated limit for the range of the averages (a convention)"),
			pick.Num("low1_limit_percent", "10", "%", "stated limit for the range of the 1% lows (a convention)"),
			pick.Num("avg_least_percent", "0.5", "%", "least limit for the averages: a smaller difference is of no use to anybody (a convention)"),
			pick.Num("avg_most_percent", "10", "%", "greatest limit for the averages, however badly the bench repeats (a convention)"),
			pick.Num("low1_least_percent", "2", "%", "least limit for the 1% lows (a convention)"),
			pick.Num("low1_most_percent", "30", "%", "greatest limit for the 1% lows that comparable cells can give (a convention)"),
			{Name: "latest", Type: plugins.Integer, Default: "6", About: "how many passes of the cell are compared, the latest ones"},
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
		return critical.Bounds{Stated: p.Number(figure + "_limit_percent"), Least: p.Number(figure + "_least_percent"), Most: p.Number(figure + "_most_percent")}
	}
	return critical.Rule{Probability: p.Number("confidence"), MinDF: p.Number("min_df"), Average: bounds("avg"), Low1: bounds("low1")}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	passes := pick.Usable(e.Earlier)
	if keep := max(1, p.Integer("latest")-1); len(passes) > keep {
		passes = passes[len(passes)-keep:]
	}
	n := len(passes) + 1
	c.Put("passes", float64(n))
	if n < 2 {
		c.Unable("this is the first usable pass of its cell")
		return c.Finding("")
	}
	var metrics []record.Metrics
	for _, x := range passes {
		metrics = append(metrics, x.Pass.Metrics)
	}
	var ok []string
	for _, r := range rule(p).Judge(append(metrics, e.Pass.Metrics), e.Spread) {
		if r.Unable != "" {
			c.Unable("%s", r.Unable)
			continue
		}
		short := strings.TrimSuffix(r.Metric, "_fps")
		c.Put(short+"_range_percent", r.RangePercent)
		c.Put(short+"_limit_percent", r.LimitPercent)
		if !r.Accepted {
			c.Found(record.Doubtful, critical.Advice(n), "%s", r.Text)
		}
		ok = append(ok, r.Text)
	}
	if len(ok) == 0 {
		return c.Finding("")
	}
	return c.Finding(fmt.Sprintf("%d passes agree: %s", n, strings.Join(ok, " and ")))
}
