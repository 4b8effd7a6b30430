package agent

import (
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/internal/logbook"
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
	p := &planner{book: &logbook.Book{Campaign: c, Plan: plan}}
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
	p := &planner{book: &logbook.Book{Campaign: c, Plan: plan}, warned: map[string]bool{}}
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
