package plugins_test

import (
	"context"
	"fmt"

	"capd.example/plugins"
	"capd.example/record"
)

// longest calls a pass doubtful whose longest frame took too long.
type longest struct{}

func (longest) Describe() plugins.Description {
	return plugins.Description{
		Name: "longest", Version: "1", About: "no frame takes longer than a limit",
		Needs:      []string{"frame times"},
		Parameters: []plugins.Parameter{{Name: "limit_ms", Type: plugins.Number, Default: "100", About: "longest frame, ms"}},
	}
}

func (longest) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	if len(e.Frames.MS) == 0 {
		return plugins.NotChecked("the pass has no frames")
	}
	most, limit := 0.0, p.Number("limit_ms")
	for _, ms := range e.Frames.MS {
		most = max(most, ms)
	}
	f := record.Finding{Outcome: record.OK, Numbers: map[string]float64{"longest_ms": most, "limit_ms": limit}}
	if f.Reason = fmt.Sprintf("the longest frame took %g ms (limit %g)", most, limit); most > limit {
		f.Outcome, f.Advice = record.Doubtful, "repeat the pass"
	}
	return f
}

// A validator has two methods. Run calls it as the agent does: with the settings of the
// configuration over its defaults, and a panic becomes not-checked.
func Example() {
	pass := record.Evidence{Frames: record.Frames{MS: []float64{16.7, 16.6, 130, 16.7}}}
	ctx := context.Background()
	f := plugins.Run(ctx, longest{}, pass, nil)
	fmt.Println(f.Outcome, "-", f.Reason)
	f = plugins.Run(ctx, longest{}, pass, map[string]string{"limit_ms": "200"})
	fmt.Println(f.Outcome, "-", f.Reason)
	// Output:
	// doubtful - the longest frame took 130 ms (limit 100)
	// ok - the longest frame took 130 ms (limit 200)
}
