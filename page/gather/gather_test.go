package gather

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/config"
	"capd.example/control"
	"capd.example/notify"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/store"
)

// agent is one that only has a status.
type agent struct {
	control.Agent
	status control.Status
	err    error
}

func (a *agent) Status(ctx context.Context) (control.Status, error) {
	if _, bounded := ctx.Deadline(); !bounded {
		return a.status, errors.New("asked without a limit")
	}
	return a.status, a.err
}

// machine has samples of the last seconds.
type machine struct{ t *record.Telemetry }

func (m machine) WindowFor(_, _ time.Time, _ string) (*record.Telemetry, error) {
	if m.t == nil {
		return nil, errors.New("no samples")
	}
	return m.t, nil
}

var at = time.Date(2026, 2, 3, 9, 0, 0, 0, time.UTC)

const matrix = `
name = "spring"
passes = 2
hours_per_day = 8
[factors]
gpu = ["Lantern 40", "Lantern 60"]
resolution = ["1080p", "1440p"]
preset = ["medium", "high"]
[[game]]
name = "Copper Drift"
[[game]]
name = "Salt Flats"
presets = ["high"]
`

// open makes a bench with a store and, with a campaign's text, that.
func open(t testing.TB, campaign string) *Gatherer {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(t.Context(), filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	c := config.Config{Bench: "bench-1", Watch: dir}
	if campaign != "" {
		file := filepath.Join(dir, "campaign.toml")
		if err := os.WriteFile(file, []byte(campaign), 0o600); err != nil {
			t.Fatal(err)
		}
		c.Campaign = file
	}
	g := New(c, &agent{}, s, machine{})
	if g.noBook != nil {
		t.Fatal(g.noBook)
	}
	return g
}

// keep stores a judged pass and returns it.
func keep(t testing.TB, g *Gatherer, n int, verdict record.Verdict, tags ...string) record.Pass {
	t.Helper()
	return keepOf(t, g, g.Name, n, verdict, tags...)
}

// keepOf stores a judged pass of a bench.
func keepOf(t testing.TB, g *Gatherer, bench string, n int, verdict record.Verdict, tags ...string) record.Pass {
	t.Helper()
	sum := sha256.Sum256([]byte(fmt.Sprint(n)))
	began := at.Add(time.Duration(n) * time.Minute)
	p := record.Pass{SHA256: hex.EncodeToString(sum[:]), Bench: bench, Log: fmt.Sprintf("/logs/%d.csv", n), Tags: record.Tags{},
		StartedAt: began, EndedAt: began.Add(30 * time.Second), LogAt: began.Add(30 * time.Second), Metrics: record.Metrics{AvgFPS: 90 + float64(n), Low1FPS: 70, Frames: 3, DurationS: 1}}
	for _, x := range tags {
		name, value, _ := strings.Cut(x, "=")
		p.Tags[name] = record.Tag{Value: value, From: record.FromPath}
	}
	sys := record.System{Fields: []record.Field{{Name: record.FieldProcessorName, Value: "Ostrava 7700"}, {Name: record.FieldMemorySize, Value: "32", Unit: "GiB"}}}
	sys.ID = sys.Identity()
	got, err := g.Store.Save(t.Context(), store.Arrival{Pass: p, Frames: record.Frames{MS: []float64{10, 11, 60, 12}}, System: sys})
	if err != nil {
		t.Fatal(err)
	}
	var findings []record.Finding
	if verdict == record.VerdictBad {
		findings = []record.Finding{{Check: "thermal", Outcome: record.OK, Reason: "fine"}, {Check: "hitches", Outcome: record.Bad, Reason: "the picture stood still", Advice: "repeat the pass"}}
	}
	if err := g.Store.Finish(t.Context(), got.ID, findings, verdict); err != nil {
		t.Fatal(err)
	}
	p.ID, p.Verdict, p.Findings = got.ID, verdict, findings
	return p
}

// give orders the campaign to a cell.
func give(t testing.TB, g *Gatherer, verb campaign.Verb, cell int) {
	t.Helper()
	if err := g.book.Give(t.Context(), g.Store, g.Name, campaign.Order{Verb: verb, Cell: g.book.Plan.Cell(cell), At: at}); err != nil {
		t.Fatal(err)
	}
}

func cellTags(g *Gatherer, cell int) (tags []string) {
	for name, v := range g.book.Plan.Cell(cell) {
		tags = append(tags, name+"="+v)
	}
	return append(tags, "campaign=spring")
}

// A bench on an ordinary day: the newest pass first with what to do about it, the pass that is
// being recorded with its readings, the parts.
func TestNow(t *testing.T) {
	g := open(t, "")
	keep(t, g, 1, record.Clean, "game=Copper Drift", "resolution=1080p", "pass=1", "gpu=Lantern 60")
	bad := keep(t, g, 2, record.VerdictBad, "game=Copper Drift", "resolution=1080p", "pass=2", "gpu=Lantern 60")
	g.Bench = machine{&record.Telemetry{Series: []record.Series{{Name: record.SeriesCPUTemp, Values: []float64{50, 64.4}}, {Name: record.SeriesBusy, Values: []float64{38}},
		{Name: "gpu.0.temp", Values: []float64{71}}}}}
	g.Agent = &agent{status: control.Status{Version: "v1", Growing: 1, Paused: "lunch", Next: map[string]string{"preset": "high"},
		Recording: &control.Recording{Log: filepath.Join(g.Watch, "a", "b.csv"), Since: at}, Troubles: []control.Trouble{{Text: "the lab is away", Advice: "wait"}}}}
	v := g.Now(t.Context())
	if len(v.Passes) != 2 || v.Passes[0].ID != bad.ID {
		t.Fatalf("passes %+v", v.Passes)
	}
	want := view.Pass{ID: bad.ID, Number: "2", Name: "Copper Drift / 1080p", Parts: "Lantern 60", Verdict: record.VerdictBad,
		Why: "the picture stood still (hitches)", Advice: "repeat the pass", FPS: 92, Low1: 70, At: bad.LogAt}
	if v.Passes[0] != want {
		t.Errorf("%+v", v.Passes[0])
	}
	if r := v.Recording; r == nil || r.Log != filepath.Join("a", "b.csv") || !slices.Equal(r.Readings, []view.Fact{{Name: "processor", Value: "64 °C, 38 %"}, {Name: "card", Value: "71 °C"}}) {
		t.Errorf("recording %+v", r)
	}
	if !slices.Equal(v.Parts, []view.Fact{{Name: "processor", Value: "Ostrava 7700"}, {Name: "memory", Value: "32 GiB"}}) || v.Paused != "lunch" || len(v.Troubles) != 1 ||
		!slices.Equal(v.ByHand, []view.Fact{{Name: "preset", Value: "high"}}) || v.Plan != nil || v.Problem != "" {
		t.Errorf("%+v", v)
	}
}

// What cannot be asked is named, and the rest is shown.
func TestProblems(t *testing.T) {
	g := open(t, "")
	keep(t, g, 1, record.Clean)
	g.Agent = &agent{err: errors.New("no answer")}
	if v := g.Now(t.Context()); !strings.Contains(v.Problem, "what the agent does: no answer") || len(v.Passes) != 1 {
		t.Errorf("%q, %+v", v.Problem, v.Passes)
	}
	g.Store.Close()
	if v := g.Now(t.Context()); !strings.Contains(v.Problem, "the passes: ") {
		t.Errorf("%q", v.Problem)
	}
}

// Where the plan stands, and each state of a cell in the map.
func TestPlan(t *testing.T) {
	g := open(t, matrix)
	for i, verdict := range []record.Verdict{record.Clean, record.Clean, record.Clean, record.VerdictBad} {
		keep(t, g, i, verdict, cellTags(g, i/2)...)
	}
	give(t, g, campaign.Begin, 1)
	give(t, g, campaign.Skip, 3)
	p, err := g.standing(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	if p.Name != "spring" || p.Where != "cell 2 of 12" || p.Cell != 2 || p.Done != 1 || p.Wanted != 2 || p.Have != 3 || p.Total != 24 || p.Advice != "repeat pass 2" || p.Pass != 2 {
		t.Errorf("%+v", p)
	}
	if len(p.Ahead) != shownAhead || p.Ahead[0].Cell != 3 || p.Ahead[0].Change == "" || p.Ahead[1].Cell != 5 {
		t.Errorf("ahead %+v", p.Ahead)
	}
	states := map[view.State]int{}
	links := map[string]bool{}
	for _, r := range p.Map.Rows {
		for _, f := range r.Fields {
			states[f.State]++
			links[f.Link] = true
			if f.Now != (f.Link == "/cell/2") {
				t.Errorf("now: %+v", f)
			}
		}
	}
	if states[view.Done] != 1 || states[view.Failed] != 1 || states[view.Skipped] != 1 || states[view.Open] != 9 || len(links) != 12 {
		t.Errorf("states %v, %d links", states, len(links))
	}
	width := 0
	for _, h := range p.Map.Heads[0] {
		width += h.Span
	}
	if width != len(p.Map.Rows[0].Fields) {
		t.Errorf("headings span %d of %d columns", width, len(p.Map.Rows[0].Fields))
	}
}

// A large campaign is summed up in few fields, each of which leads to its cells.
func TestLargePlan(t *testing.T) {
	g := open(t, `
name = "large"
passes = 3
[factors]
cpu = ["c1", "c2", "c3", "c4", "c5", "c6", "c7", "c8"]
gpu = ["g1", "g2", "g3", "g4", "g5", "g6", "g7", "g8"]
resolution = ["1080p", "1440p", "2160p"]
preset = ["low", "medium", "high"]
`+games(12))
	if n := g.book.Plan.Len(); n != 8*8*3*3*12 {
		t.Fatalf("%d cells", n)
	}
	p, err := g.standing(t.Context(), false)
	if err != nil {
		t.Fatal(err)
	}
	fields, link := 0, ""
	for _, r := range p.Map.Rows {
		fields += len(r.Fields)
		link = r.Fields[0].Link
	}
	if fields > mostFields || fields < 60 || !strings.HasPrefix(link, "/map?") {
		t.Fatalf("%d fields, link %q", fields, link)
	}
	v, err := g.Map(t.Context(), map[string]string{"cpu": "c8", "gpu": "g8"})
	if err != nil {
		t.Fatal(err)
	}
	fields = 0
	for _, r := range v.Map.Rows {
		fields += len(r.Fields)
		link = r.Fields[0].Link
	}
	if fields != 3*3*12 || !strings.HasPrefix(link, "/cell/") {
		t.Errorf("%d fields, link %q", fields, link)
	}
	for _, only := range []map[string]string{{"cpu": "none"}, {"nothing": "c1"}, {"cpu": ""}} {
		if _, err := g.Map(t.Context(), only); !errors.Is(err, view.ErrNone) {
			t.Errorf("%v: %v", only, err)
		}
	}
}

func games(n int) (s string) {
	for i := range n {
		s += fmt.Sprintf("[[game]]\nname = \"Game %d\"\n", i)
	}
	return s
}

func TestPassAndCell(t *testing.T) {
	g := open(t, matrix)
	good := keep(t, g, 1, record.Clean, cellTags(g, 5)...)
	bad := keep(t, g, 2, record.VerdictBad, cellTags(g, 5)...)
	p, err := g.Pass(t.Context(), bad.ID)
	if err != nil || p.Cell != 6 || p.Findings[0].Check != "hitches" || len(p.Charts) != 2 || p.NoCharts != "" {
		t.Errorf("%+v, %v", p, err)
	}
	c, err := g.Cell(t.Context(), 6)
	if err != nil || len(c.Passes) != 2 || c.Passes[0].ID != good.ID || c.State != "1 of 2 passes good; 1 bad" || len(c.Charts) != 1 || !strings.Contains(string(c.Charts[0].Desk), "91.0") {
		t.Errorf("%+v, %v", c, err)
	}
	if c, err := g.Cell(t.Context(), 1); err != nil || len(c.Passes)+len(c.Charts) != 0 {
		t.Errorf("an empty cell: %+v, %v", c, err)
	}
	for _, n := range []int{0, 13} {
		if _, err := g.Cell(t.Context(), n); !errors.Is(err, view.ErrNone) {
			t.Errorf("cell %d: %v", n, err)
		}
	}
	if _, err := g.Pass(t.Context(), "ffffffffffff"); !errors.Is(err, view.ErrNone) {
		t.Errorf("no such pass: %v", err)
	}
	if _, err := open(t, "").Cell(t.Context(), 1); !errors.Is(err, view.ErrNone) {
		t.Errorf("no campaign: %v", err)
	}
}

func TestSaid(t *testing.T) {
	g := open(t, "")
	bad := keep(t, g, 1, record.VerdictBad, "game=Copper Drift", "pass=2")
	for _, q := range []struct {
		e    control.Event
		want view.Say
		ok   bool
	}{
		{control.Event{Kind: control.KindPass, Pass: &bad}, view.Say{Text: "bad: pass 2 of Copper Drift: the picture stood still (hitches)", Bad: true}, true},
		{control.Event{Kind: control.KindAlert, Pass: &bad, Text: "x"}, view.Say{}, false}, // the pass has its own event
		{control.Event{Kind: control.KindAlert, Text: "the disk is full"}, view.Say{Text: "the disk is full", Bad: true}, true},
		{control.Event{Kind: control.KindState}, view.Say{}, false},
	} {
		if got, ok := g.Said(q.e); got != q.want || ok != q.ok {
			t.Errorf("%s: %+v, %v", q.e.Kind, got, ok)
		}
	}
	clean := keep(t, g, 2, record.Clean, "game=Copper Drift")
	if got, _ := g.Said(control.Event{Kind: control.KindPass, Pass: &clean}); got.Bad || !got.GoOn {
		t.Errorf("%+v", got)
	}
}

// Several look at once: a campaign's plan is for one at a time.
func TestManyAsk(t *testing.T) {
	g := open(t, matrix+"[control]\ngame = \"Copper Drift\"\n")
	p := keep(t, g, 1, record.Clean, "game=Copper Drift", "resolution=1080p") // fits several cells: looked for
	done := make(chan bool)
	for range 4 {
		go func() {
			for range 5 {
				g.Now(context.Background())
				g.Pass(context.Background(), p.ID)
				g.Cell(context.Background(), 1)
				g.Map(context.Background(), nil)
				g.Figures(context.Background())
			}
			done <- true
		}()
	}
	for range 4 {
		<-done
	}
}

// While a log is recorded nobody goes through all passes, whatever page is asked for.
func TestPagesOfACampaignWhileRecording(t *testing.T) {
	g := open(t, matrix)
	a := &agent{}
	g.Agent = a
	done := func() (cell, field string) {
		t.Helper()
		c, err := g.Cell(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		m, err := g.Map(t.Context(), nil)
		if err != nil {
			t.Fatal(err)
		}
		return c.State, m.Map.Rows[0].Fields[0].Text
	}
	for i, step := range []struct {
		recording   *control.Recording
		cell, field string
	}{{&control.Recording{}, "0 of 2 passes good", "0"}, {&control.Recording{}, "0 of 2 passes good", "0"}, {nil, "2 of 2 passes good", "2"}} {
		a.status.Recording = step.recording
		if cell, field := done(); cell != step.cell || field != step.field {
			t.Errorf("%+v: cell %q, field %q", step, cell, field)
		}
		if step.recording != nil {
			keep(t, g, i, record.Clean, cellTags(g, 0)...)
		}
	}
}

// An order that somebody gives while a log is recorded shows at once.
func TestOrderWhileRecording(t *testing.T) {
	g := open(t, matrix)
	g.Agent = &agent{status: control.Status{Recording: &control.Recording{}}}
	for _, cell := range []int{0, 3, 5} {
		give(t, g, campaign.Begin, cell)
		if v := g.Now(t.Context()); v.Plan == nil || v.Plan.Cell != cell+1 {
			t.Errorf("cell %d: %+v", cell+1, v.Plan)
		}
	}
}

// An old log that was copied in is the last pass all the same: somebody waits for it.
func TestLatest(t *testing.T) {
	g := open(t, "")
	for n := range 3 * shownPasses {
		keep(t, g, n+1, record.Clean)
	}
	old := keep(t, g, -9000, record.VerdictBad)
	old.LogAt = at.Add(24 * time.Hour)
	g.Agent = &agent{status: control.Status{Last: &old}}
	v := g.Now(t.Context())
	if len(v.Passes) != shownPasses || v.Passes[0].ID != old.ID || v.Passes[1].FPS != 90+3*shownPasses {
		t.Errorf("%+v", v.Passes)
	}
}

// What a colleague's bench recorded and a package brought tells nobody here what to do.
func TestLatestOfThisBench(t *testing.T) {
	g := open(t, "")
	own := keep(t, g, 1, record.Clean)
	for n := range 3 * shownPasses {
		keepOf(t, g, "bench-2", n+2, record.VerdictBad)
	}
	if v := g.Now(t.Context()); len(v.Passes) != 1 || v.Passes[0].ID != own.ID {
		t.Errorf("%+v", v.Passes)
	}
}

func TestFigures(t *testing.T) {
	g := open(t, matrix)
	for i, verdict := range []record.Verdict{record.Clean, record.Clean, record.Clean, record.VerdictBad} {
		keep(t, g, i, verdict, cellTags(g, i/2)...)
	}
	give(t, g, campaign.Skip, 3)
	a := &agent{status: control.Status{Growing: 2, Alerts: 3, Troubles: []control.Trouble{{}}}}
	g.Agent = a
	f, err := g.Figures(t.Context())
	if err != nil || f.Growing != 2 || f.Undelivered != 3 || f.Troubles != 1 || f.StoreBytes < 4096 || f.PassesDone != 3 || f.Planned != 24 || f.PassesLeft != 21 {
		t.Errorf("%+v", f)
	}
	if c := f.Cells; c["done"] != 1 || c["failed"] != 1 || c["skipped"] != 1 || c["open"] != 9 || c["begun"] != 0 {
		t.Errorf("%v", c)
	}
	// While a log is recorded nobody goes through all passes.
	a.status.Recording = &control.Recording{}
	keep(t, g, 9, record.Clean, cellTags(g, 5)...)
	if f, err := g.Figures(t.Context()); err != nil || f.PassesDone != 3 || !f.Recording {
		t.Errorf("%+v", f)
	}
	a.status.Recording = nil
	if f, err := g.Figures(t.Context()); err != nil || f.PassesDone != 4 {
		t.Errorf("%+v", f)
	}
	if f, err := open(t, "").Figures(t.Context()); err != nil || f.Cells != nil {
		t.Errorf("%+v", f)
	}
	g.Agent = &agent{err: errors.New("no answer")}
	if f, err := g.Figures(t.Context()); err == nil {
		t.Errorf("an agent that does not answer: %+v", f)
	}
}

// Alerts of passes that are clean by now are left out, however many they are.
func TestSettledAlertsAreLeftOut(t *testing.T) {
	g := open(t, "")
	bad, good := keep(t, g, 1, record.VerdictBad), keep(t, g, 2, record.Clean)
	for i := range alertRows + 10 {
		p := good
		if p.Verdict = record.VerdictBad; i == 3 {
			p = bad
		}
		a, _ := notify.FromPass(p, at)
		payload, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		id := fmt.Sprint(i)
		if err := g.Store.Enqueue(t.Context(), store.Alert{ID: id + "/terminal", PassID: p.ID, Channel: "terminal", Payload: payload}); err != nil {
			t.Fatal(err)
		}
	}
	list, more, err := g.alerts(t.Context())
	if err != nil || more != 0 || len(list) != 1 || list[0].ID != "3" {
		t.Errorf("%v, %d more: %+v", err, more, list)
	}
}
