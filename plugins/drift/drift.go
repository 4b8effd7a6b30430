// Package drift finds passes whose rate rises or falls more than the scene explains.
//
// The frame time of each second is divided by the median of the same second in the
// cell's other passes, which takes the scene out; the logarithm of the ratio is tested
// for a trend (Mann-Kendall) and its size estimated (Theil-Sen). It is a drift when the
// trend is both hard to come by and of a stated size: with long passes the smallest
// warm-up is significant. Without another pass nothing is said: scenes change by
// themselves, and by more than any drift. Second means, because neighbouring frames
// resemble each other, which makes such tests raise false alarms.
package drift

import (
	"context"
	"fmt"
	"math"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/plugins/internal/trend"
	"capd.example/record"
	"capd.example/stats"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "drift", Version: "1",
		About: "the rate neither rises nor falls through the pass more than the scene explains",
		Needs: []string{"frames", "earlier passes of the cell"},
		Parameters: []plugins.Parameter{
			plugins.Num("p", "0.001", "", "probability of the trend by chance, below which it counts"),
			plugins.Num("size_percent", "3", "%", "change over the pass from which it is doubtful"),
			plugins.Num("one_percent", "6", "%", "change from which it is doubtful where there is only one other pass"),
			{Name: "least_s", Type: plugins.Integer, Default: "10", Unit: "s", About: "length that the check needs"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	mine := stats.SecondMeans(e.Frames.MS)
	var others [][]float64
	for _, x := range pick.Usable(e.Earlier) {
		if len(x.SecondsMS) >= p.Integer("least_s") {
			others = append(others, x.SecondsMS)
		}
	}
	if len(others) == 0 {
		c.Unable("%s", pick.Alone(e.Pass, "the cell has no other pass to compare with"))
		return c.Finding("")
	}
	limit := p.Number("size_percent")
	if len(others) == 1 {
		limit = p.Number("one_percent")
	}
	ratio := relative(mine, others)
	if len(ratio) < max(4, p.Integer("least_s")) {
		c.Unable("%d seconds are too few; the check needs %d", len(ratio), p.Integer("least_s"))
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
		c.Found(record.Doubtful, "look at clocks and temperatures in 'capctl show'; warm the bench up and repeat the pass",
			"frames got %.1f %% %s through the pass, compared with the same seconds of %s (limit %g %%)", math.Abs(change), how,
			record.Count(len(others), "other pass"), limit)
	}
	return c.Finding(fmt.Sprintf("frame times changed by %.1f %% through the pass, compared with the same seconds of %s (limit %g %%)", change, record.Count(len(others), "other pass"), limit))
}

// relative returns the logarithm of each second against the median of the other passes,
// as far as at least half of them reach.
func relative(mine []float64, others [][]float64) []float64 {
	var ratio []float64
	for i, x := range mine {
		var same []float64
		for _, o := range others {
			if i < len(o) && o[i] > 0 {
				same = append(same, o[i])
			}
		}
		if 2*len(same) < len(others) || len(same) == 0 {
			break
		}
		ratio = append(ratio, math.Log(x/pick.Median(same)))
	}
	return ratio
}
