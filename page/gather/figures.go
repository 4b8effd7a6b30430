package gather

import (
	"context"
	"os"

	"capd.example/openmetrics"
	"capd.example/page/view"
)

// Figures are how things stand for a lab's monitoring; an error where the agent or the store
// does not say. Cells is nil where the campaign does not.
func (g *Gatherer) Figures(ctx context.Context) (out openmetrics.State, err error) {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	s, err := g.Agent.Status(ctx)
	if err != nil {
		return out, err
	}
	info, err := os.Stat(g.Store.Path())
	if err != nil {
		return out, err
	}
	out = openmetrics.State{Growing: s.Growing, Waiting: s.Waiting, Recording: s.Recording != nil, Paused: s.Paused != "",
		Missing: s.WatchMissing, Troubles: len(s.Troubles), Undelivered: s.Alerts, StoreBytes: info.Size()}
	p, planErr := g.standing(ctx, out.Recording)
	if planErr != nil || p == nil {
		return out, nil
	}
	out.PassesDone, out.Planned, out.PassesLeft, out.HoursLeft = p.Have, p.Total, p.Passes, p.Minutes/60
	out.Cells = map[string]int{"done": p.Cells[view.Done], "begun": p.Cells[view.Begun], "failed": p.Cells[view.Failed],
		"skipped": p.Cells[view.Skipped], "open": p.Cells[view.Open]}
	return out, nil
}
