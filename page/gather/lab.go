package gather

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"capd.example/control"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// Lab is a [view.Source] over all benches of a lab's database, which is only read.
type Lab struct {
	Lab      *lab.Lab
	Limits   lab.Limits // from when on a bench needs somebody
	Required []string   // checks
	// Events is told of passes that came since the last look, so that the page says them.
	Events *control.Hub

	mu    sync.Mutex // a connection is for one at a time
	watch lab.Watch
	known map[string]bool // the passes that were shown; nil before the first look
}

// mostKnown is how many passes are remembered as said (a convention): one that is gone from
// the latest can be back there, when a bench sends it again.
const mostKnown = 4096

// labPatience is how long one look may take: a lab may be far away and large.
const labPatience = 10 * time.Second

// Now implements [view.Source].
func (l *Lab) Now(ctx context.Context) view.Bench {
	v := view.Bench{Bench: "lab " + l.Lab.Name(), Lab: true}
	v.Stations, v.Troubles, v.Problem = l.stations(ctx)
	if l.latest(ctx, &v, store.Filter{}) {
		l.tell(v.Passes)
	}
	return v
}

// Station implements [view.Stations].
func (l *Lab) Station(ctx context.Context, name string) (view.Bench, error) {
	v := view.Bench{Bench: name, Lab: true}
	l.latest(ctx, &v, store.Filter{Benches: []string{name}})
	if len(v.Passes) == 0 && v.Problem == "" {
		return v, view.ErrNone
	}
	return v, nil
}

// stations are the benches, and what needs somebody.
func (l *Lab) stations(ctx context.Context) (list []view.Station, alarms []view.Trouble, problem string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	ctx, stop := context.WithTimeout(ctx, labPatience)
	defer stop()
	l.watch.Limits = l.Limits
	seen, err := l.Lab.See(ctx, l.Limits.Within)
	if err != nil {
		return nil, nil, "the benches: " + err.Error()
	}
	for _, b := range seen.Benches {
		list = append(list, view.Station{Name: b.Name, SeenAt: b.SeenAt, Backlog: b.Backlog, Campaign: b.Campaign,
			Open: b.Open, Bad: seen.Bad[b.Name]})
	}
	for _, a := range l.watch.Alarms(seen) {
		alarms = append(alarms, view.Trouble{Text: a.Text, Advice: a.Advice, Since: seen.At})
		for i := range list {
			list[i].Alarm = list[i].Alarm || list[i].Name == a.Bench
		}
	}
	return list, alarms, ""
}

// latest adds the passes whose logs were complete last, and reports whether the lab answered.
func (l *Lab) latest(ctx context.Context, v *view.Bench, f store.Filter) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	ctx, stop := context.WithTimeout(ctx, labPatience)
	defer stop()
	f.Newest, f.Limit = true, 2*shownPasses
	passes, err := l.Lab.Passes(ctx, f)
	if err != nil {
		v.Problem = joinedBy("; ", v.Problem, "the passes: "+err.Error())
		return false
	}
	slices.SortStableFunc(passes, func(p, q record.Pass) int { return q.LogAt.Compare(p.LogAt) })
	for _, p := range passes {
		if p.Verdict != "" && len(v.Passes) < shownPasses {
			v.Passes = append(v.Passes, l.short(p))
		}
	}
	return true
}

func (l *Lab) short(p record.Pass) view.Pass {
	out := short(p, l.Required)
	out.Bench = p.Bench
	return out
}

// joinedBy joins what is not empty.
func joinedBy(between, a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + between + b
}

// tell says which passes are new since the last look.
func (l *Lab) tell(passes []view.Pass) {
	l.mu.Lock()
	defer l.mu.Unlock()
	first := l.known == nil
	before := l.known
	if first || len(before) > mostKnown {
		l.known = map[string]bool{}
	}
	for _, p := range passes {
		news := !first && !before[p.ID]
		l.known[p.ID] = true
		if news {
			l.Events.Publish(control.Event{Kind: control.KindPass, At: p.At, Text: said(p),
				Pass: &record.Pass{ID: p.ID, Bench: p.Bench, Verdict: p.Verdict}})
		}
	}
}

// Said implements [view.Source].
func (l *Lab) Said(e control.Event) (view.Say, bool) {
	if e.Pass == nil {
		return view.Say{}, false
	}
	bad := e.Pass.Verdict == record.VerdictBad
	return view.Say{Text: e.Text, Bad: bad, GoOn: !bad}, true
}

// Pass implements [view.Source].
func (l *Lab) Pass(ctx context.Context, id string) (view.FullPass, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	ctx, stop := context.WithTimeout(ctx, labPatience)
	defer stop()
	p, err := l.Lab.Pass(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		err = view.ErrNone
	}
	if err != nil {
		return view.FullPass{Bench: id}, err
	}
	frames, err := l.Lab.Frames(ctx, p.ID)
	return full(p, l.short(p), frames, err), nil
}

// Readings implements [view.Source]: a lab has none.
func (l *Lab) Readings(context.Context) []view.Fact { return nil }

// Cell implements [view.Source]: the campaign is the benches'.
func (l *Lab) Cell(_ context.Context, n int) (view.Cell, error) {
	return view.Cell{Bench: fmt.Sprint(n)}, view.ErrNone
}

// Map implements [view.Source].
func (l *Lab) Map(context.Context, map[string]string) (view.Part, error) {
	return view.Part{}, view.ErrNone
}
