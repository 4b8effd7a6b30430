package logbatch

import (
	"fmt"
	"io"
	"math"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/output"
	"capd.example/metrics"
)

// section is a table of one kind of figures and what they mean.
type section struct {
	title    string
	headings table.Row
	rows     func(file string, e *metrics.Extra) []table.Row
}

var sections = []section{
	{"percentiles of the frame times in ms by the stated Hyndman-Fan type",
		table.Row{"log", "type", "median", "p95", "p99", "p99.9", "p99 FPS"}, quantileRows},
	{"low rates in FPS: over the slowest ceil(p n) frames; at the frame where the slowest have filled that share of the time; 1000 / percentile (type 7)",
		table.Row{"log", "share", "frames", "low", "by time", "percentile", "note"}, lowRows},
	{"frames longer than a limit", table.Row{"log", "limit ms", "frames", "of frames", "s", "of time"}, overRows},
	{"frames within 1 % of one, two or three intervals of a rate, and shares of shorter frames and of frames at intervals 5 % beside it; the check framecap judges whether a limit held",
		table.Row{"log", "FPS", "at it", "at one interval", "shorter", "beside"}, capRows},
	{"change of the one-second means of the frame time through the pass (Theil-Sen, 95 % limits, Mann-Kendall p), its step (Schwarz's criterion), and what frames tell apart from their neighbours",
		table.Row{"log", "s", "change", "limits", "p", "step", "lag 1", "effective frames"}, trendRows},
	{"95 % limits of the rates in FPS by a bootstrap of moving blocks of frames: of this one pass, without the spread between passes",
		table.Row{"log", "rate", "low", "high", "standard error", "resamples, block, seed"}, intervalRows},
}

// printMore prints one table per kind of figures that was asked for; all have some.
func printMore(w io.Writer, all []Log) error {
	for _, s := range sections {
		var rows []table.Row
		for _, m := range all {
			rows = append(rows, s.rows(m.File, m.More)...)
		}
		if len(rows) > 0 {
			if _, err := fmt.Fprintf(w, "\n%s\n", s.title); err != nil {
				return err
			}
			output.Table(w, s.headings, rows)
		}
	}
	return nil
}

func percent(x float64) string { return fmt.Sprintf("%.2f %%", 100*x) }

func quantileRows(file string, e *metrics.Extra) []table.Row {
	q := e.Quantiles
	if q == nil {
		return nil
	}
	return []table.Row{{file, q.Type, fixed(q.MedianMS, 3), fixed(q.P95MS, 3), fixed(q.P99MS, 3), fixed(q.P999MS, 3),
		fixed(q.P99FPS, 2)}}
}

func lowRows(file string, e *metrics.Extra) (rows []table.Row) {
	for _, l := range e.Lows {
		note := ""
		if l.Sparse {
			note = "fewer than ten frames"
		}
		rows = append(rows, table.Row{file, fmt.Sprintf("%g %%", l.Percent), l.Frames, fixed(l.FPS, 2), fixed(l.TimeFPS, 2),
			fixed(l.PercentileFPS, 2), note})
	}
	return rows
}

func overRows(file string, e *metrics.Extra) (rows []table.Row) {
	for _, o := range e.Over {
		rows = append(rows, table.Row{file, fmt.Sprintf("%g", o.MS), o.Frames, percent(o.Share), fixed(o.TimeS, 2),
			percent(o.TimeShare)})
	}
	return rows
}

func capRows(file string, e *metrics.Extra) (rows []table.Row) {
	for _, c := range e.Caps {
		rows = append(rows, table.Row{file, fmt.Sprintf("%g", c.FPS), percent(c.Share), percent(c.AtOne),
			percent(c.Shorter), percent(c.Beside)})
	}
	return rows
}

func trendRows(file string, e *metrics.Extra) []table.Row {
	t := e.Trend
	if t == nil {
		return nil
	}
	step := "none"
	if t.Step != nil {
		step = fmt.Sprintf("%+.1f %% after %d s", t.Step.ChangePercent, t.Step.AfterS)
	}
	return []table.Row{{file, t.Seconds, fmt.Sprintf("%+.1f %%", t.ChangePercent),
		fmt.Sprintf("%+.1f to %+.1f %%", t.ChangeLow, t.ChangeHigh),
		fmt.Sprintf("%.2g", t.P), step, fixed(t.Lag1, 2), math.Round(t.EffectiveFrames)}}
}

func intervalRows(file string, e *metrics.Extra) (rows []table.Row) {
	i := e.Interval
	if i == nil {
		return nil
	}
	how := fmt.Sprintf("%d, %d, %d", i.Resamples, i.Block, i.Seed)
	for _, r := range []struct {
		name string
		metrics.Limits
	}{{"average", i.AvgFPS}, {"1% low", i.Low1FPS}, {"0.1% low", i.Low01FPS}, {"1% low by time", i.Low1TimeFPS},
		{"p99 FPS", i.P99FPS}} {
		rows = append(rows, table.Row{file, r.name, fixed(r.Low, 2), fixed(r.High, 2), fixed(r.SE, 3), how})
	}
	return rows
}
