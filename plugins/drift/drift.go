// Package drift finds passes whose rate rises or falls more than the scene explains.
//
// The frame time of each second is divided by the median of the same second in the
// cell's other passes, which takes the scene out; the logarithm of the ratio is tested
// for a trend (Mann-Kendall) and its size estimated (Theil-Sen). It is a drift when the
// trend is both hard to come by and of a stated size: with long passes the smallest
// warm-up is significant. Without other passes only a change that few scenes make is
// reported. Second means, because neighbouring frames resemble each other, which makes
// such tests raise false alarms.
package drift

import (
	"context"
	"fmt"
	"math"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/plugins/internal/trend"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "drift", Version: "1",
		About: "the rate neither rises nor falls through the pass more than the scene explains",
		Needs: []string{"frames", "two earlier passes of the cell (else only large changes are seen)"},
		Parameters: []plugins.Parameter{
			pick.Num("p", "0.001", "", "probability of the trend by chance, below which it counts"),
			pick.Num("size_percent", "3", "%", "change over the pass from which it is doubtful"),
			pick.Num("alone_percent", "35", "%", "change over the pass from which it is doubtful where there are no other passes"),
			{Name: "least_s", Type: plugins.Integer, Default: "10", Unit: "s", About: "length below which nothing is said"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	mine := pick.Seconds(e.Frames.MS)
	var others [][]float64
	for _, x := range pick.Usable(e.Earlier) {
		if len(x.SecondsMS) >= p.Integer("least_s") {
			others = append(others, x.SecondsMS)
		}
	}
	ratio, limit, against := relative(mine, others, p)
	if len(ratio) < max(4, p.Integer("least_s")) {
		c.Unable("%d seconds are fewer than the %d that show a drift", len(ratio), p.Integer("least_s"))
		return c.Finding("")
	}
	t := trend.Of(ratio)
	change := 100 * math.Expm1(t.Total)
	c.Put("change_percent", change)
	c.Put("change_limit_percent", limit)
	c.Put("trend_p", t.P)
	c.Put("trend_p_limit", p.Number("p"))
	c.Put("compared", float64(len(others)))
	if t.P < p.Number("p") && math.Abs(change) > limit {
		how := "longer"
		if change < 0 {
			how = "shorter"
		}
		c.Found(record.Doubtful, "look at clocks and temperatures through the pass, warm the bench up and repeat it",
			"frames got %.1f %% %s through the pass %s (limit %g %%, p = %.2g)", math.Abs(change), how, against, limit, t.P)
	}
	if len(others) < 2 && len(c.Numbers) > 0 && !(t.P < p.Number("p") && math.Abs(change) > limit) {
		c.Unable("only %d other passes tell what the scene does by itself; a change of %.1f %% is within the %g %% that scenes make", len(others), change, limit)
		return c.Finding("")
	}
	return c.Finding(fmt.Sprintf("frame times changed by %.1f %% through the pass %s (limit %g %%)", change, against, limit))
}

// relative returns the logarithm of each second against the other passes, the limit for
// its change and what it was compared with.
func relative(mine []float64, others [][]float64, p plugins.Params) (ratio []float64, limit float64, against string) {
	if len(others) < 2 {
		for _, x := range mine {
			ratio = append(ratio, math.Log(x))
		}
		return ratio, p.Number("alone_percent"), "by itself"
	}
	for i, x := range mine {
		var same []float64
		for _, o := range others {
			if i < len(o) && o[i] > 0 {
				same = append(same, o[i])
			}
		}
		if len(same) < 2 {
			break
		}
		ratio = append(ratio, math.Log(x/pick.Median(same)))
	}
	return ratio, p.Number("size_percent"), fmt.Sprintf("against the same seconds of %d other passes", len(others))
}
