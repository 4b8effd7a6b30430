// Package gather gathers what the page shows: the agent's own status, and what its store
// and the campaign hold about it.
package gather

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/logbook"
	"capd.example/notify"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/store"
)

// Bench is what is asked of the machine: its samples from one time to another.
type Bench interface {
	WindowFor(from, to time.Time, program string) (*record.Telemetry, error)
}

// Gatherer is a [view.Source].
type Gatherer struct {
	Agent    control.Agent
	Store    *store.Store
	Bench    Bench
	Name     string   // of the bench
	Watch    string   // the watched folder
	Required []string // checks

	book *logbook.Book
	// noBook is why there is no book, where there should be one.
	noBook error

	mu   sync.Mutex    // taken ahead of the book's
	last *logbook.Page // the last reading of it
	// stood is what was last said of the campaign, by the reading stoodOf.
	stood   *view.Plan
	stoodOf *logbook.Page
}

// New returns what gathers for the page of an agent with these settings.
func New(c config.Config, a control.Agent, s *store.Store, b Bench) *Gatherer {
	g := &Gatherer{Agent: a, Store: s, Bench: b, Name: c.Bench, Watch: c.Watch, Required: c.Checks.Required}
	if c.Campaign == "" {
		return g
	}
	if g.book, g.noBook = logbook.Open(c.Campaign); g.noBook == nil {
		g.book.Clock = time.Now
	}
	return g
}

// Book returns the campaign whose cells the page shows, nil for none, or why it cannot be had. Who
// takes orders from the page needs the same: the file may have changed since.
func (g *Gatherer) Book() (*logbook.Book, error) { return g.book, g.noBook }

const (
	// shownPasses and shownAlerts are how many stand on the page: what fits beside each other.
	shownPasses = 8
	shownAlerts = 5
	// patience is how long one question may take: the rest can be shown without its answer.
	patience = 2 * time.Second
)

// Now implements [view.Source].
func (g *Gatherer) Now(ctx context.Context) view.Bench {
	ctx, stop := context.WithTimeout(ctx, patience)
	defer stop()
	v := view.Bench{Bench: g.Name}
	var problems []string
	note := func(what string, err error) {
		if err != nil {
			problems = append(problems, what+": "+err.Error())
		}
	}
	s, err := g.Agent.Status(ctx)
	note("what the agent does", err)
	v.Version, v.Growing, v.Waiting, v.Paused = s.Version, s.Growing, s.Waiting, s.Paused
	if s.WatchMissing {
		v.Watch = s.Watch
	}
	for _, t := range s.Troubles {
		v.Troubles = append(v.Troubles, view.Trouble(t))
	}
	for _, name := range sorted(s.Next) {
		v.ByHand = append(v.ByHand, view.Fact{Name: name, Value: s.Next[name]})
	}
	if r := s.Recording; r != nil {
		v.Recording = &view.Recording{Log: g.below(r.Log), Since: r.Since, Readings: g.Readings(ctx)}
	}
	v.Passes, err = g.latest(ctx, s.Last)
	note("the passes", err)
	v.Alerts, v.MoreAlerts, err = g.alerts(ctx)
	note("the alerts", err)
	v.Parts, err = g.parts(ctx)
	note("the parts of the bench", err)
	v.Plan, err = g.standing(ctx, s.Recording != nil)
	note("the campaign", err)
	v.Problem = strings.Join(problems, "; ")
	return v
}

// latest are the passes of this bench whose logs were complete last: what somebody waits for. Last, where it
// is known, is among them however long ago it was recorded.
func (g *Gatherer) latest(ctx context.Context, last *record.Pass) (out []view.Pass, err error) {
	f := store.Filter{Newest: true, Limit: 2 * shownPasses, Benches: []string{g.Name}}
	passes, err := g.Store.Passes(ctx, f)
	if last != nil && !slices.ContainsFunc(passes, func(p record.Pass) bool { return p.ID == last.ID }) {
		passes = append(passes, *last)
	}
	slices.SortStableFunc(passes, func(p, q record.Pass) int { return q.LogAt.Compare(p.LogAt) })
	for _, p := range passes {
		if p.Verdict != "" && len(out) < shownPasses { // else its checks still run
			out = append(out, g.short(p))
		}
	}
	return out, err
}

// below is a path as it is called in the watched folder.
func (g *Gatherer) below(path string) string {
	if rel, err := filepath.Rel(g.Watch, path); err == nil && filepath.IsLocal(rel) {
		return rel
	}
	return filepath.Base(path)
}

func (g *Gatherer) short(p record.Pass) view.Pass { return short(p, g.Required) }

// short is a pass for a list.
func short(p record.Pass, required []string) view.Pass {
	out := view.Pass{ID: p.ID, Number: p.Tags.Value(record.TagPass), Verdict: p.Verdict, FPS: p.Metrics.AvgFPS,
		Low1: p.Metrics.Low1FPS, At: p.LogAt, ByHand: p.Overruled != ""}
	out.Name = joined(p, record.TagGame, record.TagScene, record.TagResolution, record.TagPreset)
	if out.Name == "" {
		out.Name = filepath.Base(p.Log)
	}
	out.Parts = joined(p, record.TagProcessor, record.TagGraphics)
	if a, ok := notify.FromPass(p, out.At, required...); ok {
		out.Why, out.Advice = strings.TrimPrefix(a.Text, notify.PassName(p)+": "), a.Advice
	}
	if p.Overruled != "" {
		out.Why, out.Advice = "set by hand: "+p.Overruled, ""
	}
	return out
}

func joined(p record.Pass, tags ...string) string {
	var parts []string
	for _, t := range tags {
		if v := p.Tags.Value(t); v != "" {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, " / ")
}

func sorted(m map[string]string) []string {
	var names []string
	for n := range m {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// alertRows is how many rows of the queue are looked at, of which each channel has one for
// an alert.
const alertRows = 200

// alerts are the latest that nobody acknowledged and that are not settled, and how many more there are.
func (g *Gatherer) alerts(ctx context.Context) (list []view.Alert, more int, err error) {
	return g.openAlerts(ctx, alertRows)
}

// openAlerts looks at so many rows, or at more where all of these but few are settled.
func (g *Gatherer) openAlerts(ctx context.Context, most int) (list []view.Alert, more int, err error) {
	rows, err := g.Store.Alerts(ctx, true, most)
	seen := map[string]bool{}
	for _, row := range rows {
		id, _, _ := strings.Cut(row.ID, "/") // behind it stands the channel
		if seen[id] {
			continue
		}
		seen[id] = true
		var a notify.Alert
		unread := json.Unmarshal(row.Payload, &a)
		if a.Settled(row.Verdict) {
			continue
		}
		if len(list) == shownAlerts {
			more++
			continue
		}
		if unread != nil {
			a = notify.Alert{At: row.MadeAt, Text: "an alert cannot be read: " + unread.Error()}
		}
		list = append(list, view.Alert{ID: id, At: a.At, Pass: row.PassID, Advice: a.Advice,
			Text: strings.TrimPrefix(notify.Line(notify.Alert{Kind: a.Kind, Text: a.Text}), " ")})
	}
	if len(rows) == most && len(list) < shownAlerts && err == nil {
		return g.openAlerts(ctx, 10*most)
	}
	return list, more, err
}

// parts are what the bench was for its last pass: what decides its rates.
func (g *Gatherer) parts(ctx context.Context) (out []view.Fact, err error) {
	s, ok, err := g.Store.LastSystem(ctx, g.Name, "")
	if err != nil || !ok {
		return nil, err
	}
	for _, f := range []struct{ field, name string }{
		{record.FieldProcessorName, "processor"}, {record.FieldGraphicsName, "graphics card"},
		{record.FieldGraphicsDriver, "driver"}, {record.FieldMemorySize, "memory"},
		{record.FieldMemorySpeed, "memory speed"}, {record.FieldOSName, "system"},
	} {
		if x, ok := s.Get(f.field); ok && x.Value != "" {
			out = append(out, view.Fact{Name: f.name, Value: strings.TrimSpace(x.Value + " " + x.Unit)})
		}
	}
	return out, nil
}

// Readings implements [view.Source].
func (g *Gatherer) Readings(context.Context) (out []view.Fact) {
	const recent = 6 * time.Second // an idle bench is sampled every 5 s
	now := time.Now()
	t, err := g.Bench.WindowFor(now.Add(-recent), now, "")
	if err != nil {
		return nil
	}
	for _, r := range []struct{ series, name, unit string }{
		{record.SeriesCPUTemp, "processor", "°C"}, {record.SeriesBusy, "processor", "%"},
		{record.Numbered(record.SeriesGPUTemp, 0), "card", "°C"}, {record.Numbered(record.SeriesGPUBusy, 0), "card", "%"},
		{record.Numbered(record.SeriesGPUClock, 0), "card", "MHz"}, {record.Numbered(record.SeriesGPUPower, 0), "card", "W"},
	} {
		s, _ := t.Find(r.series)
		known := s.Known()
		if len(known) == 0 {
			continue
		}
		value := fmt.Sprintf("%.0f %s", known[len(known)-1], r.unit)
		if n := len(out); n > 0 && out[n-1].Name == r.name {
			out[n-1].Value += ", " + value
			continue
		}
		out = append(out, view.Fact{Name: r.name, Value: value})
	}
	return out
}

// Said implements [view.Source].
func (g *Gatherer) Said(e control.Event) (view.Say, bool) {
	switch {
	case e.Kind == control.KindPass && e.Pass != nil:
		p := g.short(*e.Pass)
		return view.Say{Text: said(p), Bad: p.Verdict == record.VerdictBad, GoOn: p.Verdict != record.VerdictBad}, true
	case e.Kind == control.KindAlert && e.Pass == nil:
		return view.Say{Text: e.Text, Bad: true}, true
	}
	return view.Say{}, false
}

// said is a pass in one sentence.
func said(p view.Pass) string {
	words := []string{string(p.Verdict) + ":"}
	if p.Bench != "" {
		words = append(words, p.Bench+",")
	}
	if p.Number != "" {
		words = append(words, "pass "+p.Number+" of")
	}
	text := strings.Join(append(words, p.Name), " ")
	if p.Why != "" {
		text += ": " + p.Why
	}
	return text
}
