package gather

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"math"
	"slices"

	"capd.example/analysis"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/report/chart"
	"capd.example/store"
)

// Pass implements [view.Source].
func (g *Gatherer) Pass(ctx context.Context, id string) (view.FullPass, error) {
	ctx, stop := context.WithTimeout(ctx, 2*patience)
	defer stop()
	p, err := g.Store.Pass(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		err = view.ErrNone
	}
	if err != nil {
		return view.FullPass{Bench: g.Name}, err
	}
	frames, err := g.Store.Frames(ctx, p.ID)
	v := full(p, g.short(p), frames, err)
	v.Cell = g.cellOf(p)
	return v, nil
}

// full is a pass in full; the error says why there are no frames.
func full(p record.Pass, short view.Pass, frames record.Frames, err error) view.FullPass {
	v := view.FullPass{Pass: short, Bench: p.Bench, Began: p.StartedAt, Log: p.Log, Seen: p.VerdictKey()}
	v.Findings = slices.Clone(p.Findings)
	rank := []record.Outcome{record.Bad, record.Doubtful, record.NotChecked, record.OK}
	slices.SortStableFunc(v.Findings, func(a, b record.Finding) int {
		return slices.Index(rank, a.Outcome) - slices.Index(rank, b.Outcome)
	})
	m := p.Metrics
	v.Figures = []view.Fact{
		{Name: "average", Value: fmt.Sprintf("%.1f FPS", m.AvgFPS)},
		{Name: "1% low", Value: fmt.Sprintf("%.1f FPS", m.Low1FPS)},
		{Name: "0.1% low", Value: fmt.Sprintf("%.1f FPS", m.Low01FPS)},
		{Name: "median frame", Value: fmt.Sprintf("%.2f ms", m.MedianMS)},
		{Name: "longest frame", Value: fmt.Sprintf("%.1f ms", m.MaxMS)},
		{Name: "hitches", Value: fmt.Sprint(m.Hitches)},
		{Name: "length", Value: fmt.Sprintf("%.1f s, %s", m.DurationS, record.Count(m.Frames, "frame"))},
	}
	for _, name := range sortedTags(p.Tags) {
		v.Tags = append(v.Tags, view.Fact{Name: name, Value: fmt.Sprintf("%s (%s)", p.Tags[name].Value, p.Tags[name].From)})
	}
	if err != nil {
		v.NoCharts = "The frame times cannot be read: " + err.Error()
		return v
	}
	v.Charts = []view.Drawn{
		drawn(chart.Trace("trace", "Frame times of pass "+p.ID, "", frames.MS)),
		drawn(chart.Distribution("distribution", "How often frames took how long", "", frames.MS)),
	}
	return v
}

func sortedTags(t record.Tags) (names []string) {
	for n := range t {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// drawn draws a chart for both widths.
func drawn(c chart.Chart) view.Drawn {
	return view.Drawn{Desk: template.HTML(c.InPage().SVG(c.Name, false)),
		Phone: template.HTML(c.OnPhone().SVG(c.Name+"-narrow", false))}
}

// mostBars is how many passes of a cell are drawn, the latest.
const mostBars = 30

// history draws what the passes of a cell reached, one bar each.
func history(name string, passes []record.Pass) view.Drawn {
	passes = passes[max(0, len(passes)-mostBars):]
	rows := make([]chart.BarRow, len(passes))
	for i, p := range passes {
		rows[i] = chart.BarRow{
			Label:   fmt.Sprintf("%s %s", p.LogAt.Local().Format("01-02 15:04"), p.Verdict),
			Average: single(p.Metrics.AvgFPS), Low1: single(p.Metrics.Low1FPS),
		}
	}
	return drawn(chart.Bars("history", name, "", "", "none for one pass", chart.AxisEnd(rows), rows))
}

// single is the figure of one pass, which alone says nothing of how sure it is.
func single(x float64) analysis.Figure {
	none := analysis.Number(math.NaN())
	return analysis.Figure{N: 1, Mean: analysis.Number(x), CILow: none, CIHigh: none, Median: none, Shown: "mean"}
}
