package gather

import (
	"context"
	"os"

	"capd.example/openmetrics"
	"capd.example/page/view"
)

// Figures are how things stand for a lab's monitoring. What cannot be asked is left at zero.
func (g *Gatherer) Figures(ctx context.Context) (out openmetrics.State) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	if s, err := g.Agent.Status(ctx); err == nil {
		out = openmetrics.State{Growing: s.Growing, Waiting: s.Waiting, Recording: s.Recording != nil, Paused: s.Paused != "",
			Missing: s.WatchMissing, Troubles: len(s.Troubles), Undelivered: s.Alerts}
	}
	if info, err := os.Stat(g.Store.Path()); err == nil {
		out.StoreBytes = info.Size()
	}
	p, err := g.standing(ctx, out.Recording)
	if err != nil || p == nil {
		return out
	}
	out.PassesDone, out.Planned, out.PassesLeft, out.HoursLeft = p.Have, p.Total, p.Passes, p.Minutes/60
	out.Cells = map[string]int{"done": p.Cells[view.Done], "begun": p.Cells[view.Begun], "failed": p.Cells[view.Failed],
		"skipped": p.Cells[view.Skipped], "open": p.Cells[view.Open]}
	return out
}
