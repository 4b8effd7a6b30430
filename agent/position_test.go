package agent

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"capd.example/campaign"
	"capd.example/internal/logbook"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
)

// The line about the position is said when it changes, or when the pass was of its cell: a
// row of old logs says it once.
func TestThePositionIsNewsWhenItChanges(t *testing.T) {
	c, err := campaign.Parse([]byte("name = \"c\"\n[factors]\npreset = [\"low\", \"high\"]\n[[game]]\nname = \"Copper Drift\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	plan, err := campaign.NewPlan(c)
	if err != nil {
		t.Fatal(err)
	}
	p := &planner{turn: make(chan struct{}, 1), book: &logbook.Book{Campaign: c, Plan: plan}}
	at := func(cell int) logbook.Page {
		var page logbook.Page
		page.Position, page.Coverage = plan.Replay([]campaign.Order{{Verb: campaign.Begin, Cell: plan.Cell(cell), At: time.Unix(0, 0)}}, nil)
		return page
	}
	for i, x := range []struct{ cell, current, want int }{{0, 0, 1}, {0, 0, 0}, {0, 0, 0}, {0, 1, 1}, {0, 0, 0}} {
		if got := p.news(at(x.cell), x.current == 1); got != (x.want == 1) {
			t.Errorf("%d: %v", i, got)
		}
	}
	var page logbook.Page
	page.Position, page.Coverage = plan.Replay([]campaign.Order{{Verb: campaign.Begin, Cell: plan.Cell(1), At: time.Unix(0, 0)}, {Verb: campaign.Skip, Cell: plan.Cell(1), At: time.Unix(1, 0)}, {Verb: campaign.Skip, Cell: plan.Cell(0), At: time.Unix(2, 0)}}, nil)
	if !p.news(page, false) {
		t.Error("another position is no news")
	}
}

// A pass that counts for another cell is told, old ones of one cell in a row once.
func TestAPassOfAnotherCellIsToldOnce(t *testing.T) {
	c, err := campaign.Parse([]byte("name = \"c\"\n[factors]\npreset = [\"low\", \"high\", \"ultra\"]\n[[game]]\nname = \"Copper Drift\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	plan, err := campaign.NewPlan(c)
	if err != nil {
		t.Fatal(err)
	}
	p := &planner{turn: make(chan struct{}, 1), book: &logbook.Book{Campaign: c, Plan: plan}}
	var page logbook.Page
	page.Position, page.Coverage = plan.Replay([]campaign.Order{{Verb: campaign.Begin, Cell: plan.Cell(0), At: time.Unix(100, 0)}}, nil)
	for i, x := range []struct {
		cell  int
		start int64
		fresh bool
		want  bool
	}{{1, 200, false, true}, {1, 300, false, false}, {1, 400, true, true}, {2, 500, false, true}, {0, 600, true, false},
		{2, 700, false, true}, {1, 10, false, false}} { // the last one is from before the plan was begun
		pass := record.Pass{StartedAt: time.Unix(x.start, 0), EndedAt: time.Unix(x.start+60, 0), LogAt: time.Unix(x.start, 0)}
		if x.fresh {
			pass.LogAt = time.Now()
		}
		if got := p.strays(page, pass, x.cell, page.Position); got != x.want {
			t.Errorf("%d: said %v", i, got)
		}
	}
}

// A warning about a changed part comes once; with other values it is another one.
func TestAWarningAboutAPartComesOnce(t *testing.T) {
	c, err := campaign.Parse([]byte("name = \"c\"\n[factors]\npreset = [\"low\", \"high\"]\n[[game]]\nname = \"Copper Drift\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	plan, err := campaign.NewPlan(c)
	if err != nil {
		t.Fatal(err)
	}
	p := &planner{turn: make(chan struct{}, 1), book: &logbook.Book{Campaign: c, Plan: plan}, warned: map[string]bool{}}
	with := map[string]string{"preset": "low"}
	first, warn := p.warning("gpu", "A60", "A70", with, campaign.Open{Cells: []int{1}, Passes: 3})
	if _, again := p.warning("gpu", "A60", "A70", with, campaign.Open{Cells: []int{1}, Passes: 3}); !warn || again {
		t.Errorf("warned %v, and again %v", warn, again)
	}
	for _, passes := range []int{2, 1} {
		if other, warn := p.warning("gpu", "A60", "A70", with, campaign.Open{Cells: []int{1}, Passes: passes}); !warn || other.ID == first.ID {
			t.Errorf("%d open passes: warned %v as %s", passes, warn, other.ID)
		}
	}
}

// The agent's loop and those who ask for its status use the plan at the same time: for the
// race detector.
func TestThePlanIsForOneAtATime(t *testing.T) {
	c, err := campaign.Parse([]byte("name = \"c\"\n[factors]\npreset = [\"low\", \"high\"]\n[[game]]\nname = \"Copper Drift\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	partly := record.Pass{ID: "a", Bench: "b", Tags: record.Tags{record.TagGame: {Value: "Copper Drift"}, record.TagCampaign: {Value: "c"}}, StartedAt: time.Unix(1, 0)}
	sys := record.System{ID: "x"}
	if _, err := s.Save(t.Context(), store.Arrival{Pass: record.Pass{SHA256: strings.Repeat("a", 64), Bench: "b", Log: "l", Tags: partly.Tags, StartedAt: partly.StartedAt, EndedAt: time.Unix(2, 0)}, System: sys}); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		plan, err := campaign.NewPlan(c) // finds a pass without all tags by trying, and remembers
		if err != nil {
			t.Fatal(err)
		}
		p := &planner{turn: make(chan struct{}, 1), book: &logbook.Book{Campaign: c, Plan: plan}, bench: "b", log: zerolog.Nop(), warned: map[string]bool{}}
		var know pipeline.Knowledge
		p.teach(t.Context(), s, &know)
		var all sync.WaitGroup
		all.Go(func() { p.position(t.Context()) })
		all.Go(func() { p.wants(t.Context()) })
		all.Go(func() { p.judged(t.Context(), partly) })
		all.Go(func() { know.Plan(time.Unix(3, 0), time.Unix(4, 0), nil) })
		all.Go(func() { p.swapped(t.Context(), sys, sys) })
		all.Wait()
	}
}

// What the lab is told of the campaign: its name, and the passes that it still wants.
func TestWhatTheCampaignWants(t *testing.T) {
	file := filepath.Join(t.TempDir(), "campaign.toml")
	text := "name = \"spring\"\npasses = 3\n[factors]\npreset = [\"low\", \"high\"]\n[[game]]\nname = \"Copper Drift\"\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	book, err := logbook.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p := &planner{turn: make(chan struct{}, 1), book: book, store: s, bench: "bench-1"}
	if name, passes, err := p.wants(t.Context()); name != "spring" || passes != 6 || err != nil {
		t.Errorf("%q wants %d, %v", name, passes, err)
	}
	if name, passes, err := (*planner)(nil).wants(t.Context()); name != "" || passes != 0 || err != nil {
		t.Errorf("without a campaign: %q wants %d, %v", name, passes, err)
	}
}

// Whoever asks for the status waits no longer for the plan than they would for the answer.
func TestThePlanIsNotWaitedFor(t *testing.T) {
	p := &planner{turn: make(chan struct{}, 1), log: zerolog.Nop()}
	p.turn <- struct{}{} // the agent reads it
	ended, end := context.WithCancel(t.Context())
	end()
	if got := p.position(ended); got != unknownPosition {
		t.Errorf("%q", got)
	}
	if _, _, err := p.wants(ended); err == nil {
		t.Error("what the campaign wants was read while the agent read the plan")
	}
}
