// Command evenness is a validator for capd: are frames even, or is the slowest percent
// far from the middle?
package main

import (
	"context"
	"fmt"

	"capd.example/plugins"
	"capd.example/plugins/serve"
	"capd.example/record"
)

func main() { serve.Validators(evenness{}) }

type evenness struct{}

func (evenness) Describe() plugins.Description {
	return plugins.Description{
		Name: "evenness", Version: "1", About: "the slowest percent of frames is near the middle",
		Needs: []string{"figures of the pass"},
		Parameters: []plugins.Parameter{{
			Name: "ratio", Type: plugins.Number, Default: "3",
			About: "99th percentile over the median from which the pass is doubtful",
		}},
	}
}

func (evenness) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	m := e.Pass.Metrics
	if m.MedianMS <= 0 {
		return plugins.NotChecked("the pass has no frames")
	}
	ratio, limit := m.P99MS/m.MedianMS, p.Number("ratio")
	f := record.Finding{
		Outcome: record.OK,
		Reason:  fmt.Sprintf("the 99th percentile is %.1f times the median (limit %g)", ratio, limit),
		Numbers: map[string]float64{"ratio": ratio, "limit": limit},
	}
	if ratio >= limit {
		f.Outcome = record.Doubtful
		f.Advice = "look at the frame time graph for what comes and goes"
	}
	return f
}
