// Package agreement asks whether the passes of a cell agree.
//
// The range of ln(average) and of ln(1% low) over the cell's passes is compared with a
// critical range q(p; n, v) s_r after ISO 5725-6:1994, clause 5: s_r is the repeatability
// of comparable cells, pooled, with v degrees of freedom, and q the point of the
// studentised range. Where there are fewer than six degrees of freedom a stated limit
// holds instead, which is a convention, and two more conventions keep what history gives
// from being absurdly narrow or wide. The stated limit is widened for the 1% low by what the
// passes themselves show: a tail that rests on a few hitches repeats no better than
// hitches do. The three passes' own spread is never used: their
// range is between 1.73 and 2 of their own standard deviations whatever they are. No pass
// is called the odd one and none is dropped.
package agreement

import (
	"context"
	"fmt"
	"math"
	"strings"

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
		Name: "agreement", Version: "2",
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
	avg, low := []float64{e.Pass.Metrics.AvgFPS}, []float64{e.Pass.Metrics.Low1FPS}
	sparse := e.Pass.Metrics.Low1Sparse
	tail := math.Pow(tailError(e.Pass.Metrics), 2)
	for _, x := range passes {
		avg = append(avg, x.Pass.Metrics.AvgFPS)
		low = append(low, x.Pass.Metrics.Low1FPS)
		tail += math.Pow(tailError(x.Pass.Metrics), 2)
		sparse = sparse || x.Pass.Metrics.Low1Sparse
	}
	ok := compare(c, e, p, "avg_fps", "averages", "avg", avg, n, 0)
	if sparse {
		c.Unable("1%% lows, which rest on fewer than ten frames")
	} else if more := compare(c, e, p, "low1_fps", "1% lows", "low1", low, n, math.Sqrt(tail/float64(n))); ok != "" && more != "" {
		ok += " and " + more
	}
	if ok == "" {
		return c.Finding("")
	}
	return c.Finding(fmt.Sprintf("%d passes agree: %s", n, ok))
}

func compare(c *pick.Case, e record.Evidence, p plugins.Params, metric, what, short string, y []float64, n int, tail float64) string {
	ln := make([]float64, len(y))
	for i, v := range y {
		if !(v > 0) {
			c.Unable("%s: a pass has %g", what, v)
			return ""
		}
		ln[i] = math.Log(v)
	}
	limit, why := limitOf(e, p, metric, short, n, tail)
	a, err := stats.Agree(ln, limit)
	if err != nil {
		c.Unable("%s: %v", what, err)
		return ""
	}
	spread := 100 * math.Expm1(a.Range)
	allowed := 100 * math.Expm1(limit)
	c.Put(short+"_range_percent", spread)
	c.Put(short+"_limit_percent", allowed)
	if !a.Accepted {
		advice := "measure one more pass; until then the cell's median stands, with a flag"
		if n > 3 {
			advice = "look for what differs between the passes, then measure the cell again; until then its median stands, with a flag"
		}
		c.Found(record.Doubtful, advice, "the %s of %d passes (%s) differ by %.1f %%, more than %.1f %% (%s)", what, n, list(y), spread, allowed, why)
	}
	return fmt.Sprintf("%s within %.1f %% (limit %.1f %%, %s)", what, spread, allowed, why)
}

// limitOf returns the limit for the range of the logarithms and where it is from.
func limitOf(e record.Evidence, p plugins.Params, metric, short string, n int, tail float64) (limit float64, why string) {
	s := e.Spread[metric]
	if s.DF >= p.Number("min_df") && s.SD > 0 {
		q := stats.StudentizedRange(p.Number("confidence"), n, s.DF)
		why = fmt.Sprintf("repeatability %.2f %% with %.0f degrees of freedom from %s", 100*s.SD, s.DF, s.From)
		return within(q*s.SD, p, short, why)
	}
	stated := math.Log1p(p.Number(short+"_limit_percent") / 100)
	if metric == "low1_fps" {
		if own := stats.StudentizedRange(p.Number("confidence"), n, math.Inf(1)) * tail; own > stated {
			return own, "what so few hitches let a tail be known to, too little history"
		}
	}
	return stated, "stated limit, too little history"
}

// within keeps the critical range between two conventions: passes that repeat to a
// hundredth of a per cent need not agree that well, and passes that far apart are no
// ground for a comparison even where the bench always does that.
func within(limit float64, p plugins.Params, short, why string) (float64, string) {
	least, most := math.Log1p(p.Number(short+"_least_percent")/100), math.Log1p(p.Number(short+"_most_percent")/100)
	switch {
	case limit < least:
		return least, "least limit; " + why
	case limit > most:
		return most, "greatest limit; comparable cells repeat worse: " + why
	}
	return limit, why
}

// tailError returns the standard error of ln(1% low) that the hitches of a pass make,
// from its figures alone: what the k longest frames take beyond the 99th percentile is
// taken for a sum of a Poisson number of hitches of exponential length, whose variance is
// twice their number times the square of their mean length.
func tailError(m record.Metrics) float64 {
	k := math.Ceil(0.01 * float64(m.Frames))
	tail := 1000 * k / m.Low1FPS
	excess := tail - k*m.P99MS
	if !(tail > 0) || !(excess > 0) {
		return 0
	}
	return math.Sqrt(2/math.Max(1, float64(m.Hitches))) * excess / tail
}

// list prints the values with the present pass last.
func list(y []float64) string {
	var out []string
	for i := 1; i <= len(y); i++ {
		out = append(out, fmt.Sprintf("%.1f", y[i%len(y)]))
	}
	return strings.Join(out, ", ") + " FPS"
}
