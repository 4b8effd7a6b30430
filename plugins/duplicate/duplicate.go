// Package duplicate finds a log that holds an earlier pass again: the same bytes, the
// same frames in another file, or the same frames rounded.
package duplicate

import (
	"context"
	"fmt"
	"math"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
	"capd.example/stats"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "duplicate", Version: "1",
		About: "the pass is no copy of an earlier one",
		Needs: []string{"earlier passes of the cell"},
		Parameters: []plugins.Parameter{
			plugins.Num("rounding_ms", "0.0051", "ms",
				"difference of second means and of the longest frame up to which frames are the same but for rounding"),
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	if len(e.Earlier) == 0 {
		c.Unable("%s", pick.Alone(e.Pass, "the cell has no earlier pass"))
		return c.Finding("")
	}
	seconds := stats.SecondMeans(e.Frames.MS)
	limit := p.Number("rounding_ms")
	c.Put("compared", float64(len(e.Earlier)))
	c.Put("rounding_limit_ms", limit)
	for _, x := range e.Earlier {
		if x.Pass.ID == e.Pass.ID && x.Pass.ID != "" {
			continue // the pass itself, checked again
		}
		if e.Pass.SHA256 != "" && x.Pass.SHA256 == e.Pass.SHA256 {
			c.Found(record.Bad, "remove the copy and record the pass", "the log has the same bytes as pass %s (%s)", x.Pass.ID,
				x.Pass.Log)
		} else if d, same := distance(e.Pass.Metrics, seconds, x); same && d <= limit {
			c.Put("difference_ms", d)
			c.Found(record.Bad, "remove the copy and record the pass",
				"the %d frames are the same as in pass %s (%s): in all %d seconds the means differ by at most %.2g ms",
				e.Pass.Metrics.Frames, x.Pass.ID, x.Pass.Log, len(seconds), d)
		}
	}
	return c.Finding(fmt.Sprintf("none of the cell's %d other passes has the same frames", len(e.Earlier)))
}

// distance returns the largest difference in ms between the seconds and the longest
// frames of two passes; same is false where they cannot hold the same frames. Passes of
// fewer than three seconds say too little.
func distance(m record.Metrics, seconds []float64, x record.Earlier) (d float64, same bool) {
	o := x.Pass.Metrics
	if m.Frames != o.Frames || m.Frames == 0 || len(seconds) < 3 {
		return 0, false
	}
	n := min(len(seconds), len(x.SecondsMS))
	if len(seconds)-n > 1 || len(x.SecondsMS)-n > 1 || n < 3 {
		return 0, false
	}
	d = max(math.Abs(m.MaxMS-o.MaxMS), math.Abs(m.P99MS-o.P99MS), math.Abs(m.MedianMS-o.MedianMS))
	for i := range n {
		d = max(d, math.Abs(seconds[i]-x.SecondsMS[i]))
	}
	return d, true
}
