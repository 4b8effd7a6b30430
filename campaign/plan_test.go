package campaign_test

import (
	"math"
	"path/filepath"
	"testing"

	"capd.example/campaign"
	"capd.example/internal/testlab"
)

func example(t testing.TB) *campaign.Campaign {
	t.Helper()
	c, err := campaign.Load(filepath.Join(testlab.Root(), "examples", "campaign", "campaign.toml"))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func plan(t testing.TB, c *campaign.Campaign) *campaign.Plan {
	t.Helper()
	p, err := campaign.NewPlan(c)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func parse(t testing.TB, text string) *campaign.Campaign {
	t.Helper()
	c, err := campaign.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Common practice, no source: 4 cards x 2 resolutions x 3 presets x 3 passes are 72 passes
// for a processor and a game, 864 for 3 processors and 4 games; at 3.5 minutes of bench
// time each that is a little more than 3 working days of 16 hours.
func TestCheckValue(t *testing.T) {
	whole := plan(t, example(t)).Estimate(0)
	if whole.Cells != 288 || whole.Passes != 864 {
		t.Errorf("%d cells, %d passes; want 288 and 864", whole.Cells, whole.Passes)
	}
	if days := whole.PassTime / 60 / 16; math.Abs(days-3.15) > 1e-9 {
		t.Errorf("passes alone take %g days of 16 h, want 3.15", days)
	}
	if whole.Hours != 16 || !(whole.Days > 3.15 && whole.Days < 3.6) {
		t.Errorf("%g days of %g h with all changes; want a little more than 3 of 16 h", whole.Days, whole.Hours)
	}
	one, err := example(t).WhatIf("drop cpu=Basalt 12, drop cpu=Granite 6, drop game=Nimbus Drift, drop game=Salt Flats, drop game=Tin Parade")
	if err != nil {
		t.Fatal(err)
	}
	if e := plan(t, one).Estimate(0); e.Cells != 24 || e.Passes != 72 {
		t.Errorf("one processor and one game: %d cells, %d passes; want 24 and 72", e.Cells, e.Passes)
	}
}

func TestPlanChangesOneFactorAtATimeInAFullProduct(t *testing.T) {
	p := plan(t, example(t))
	e := p.Estimate(0)
	// 3 processors: 2 swaps; 4 cards under each: 3 x 3; 4 games under each of 12: 12 x 3.
	want := map[string]int{"cpu": 2, "gpu": 9, "game": 36}
	for _, c := range e.Changes {
		if n, ok := want[c.Factor]; ok && c.Times != n {
			t.Errorf("%s is changed %d times, want %d", c.Factor, c.Times, n)
		}
	}
	steps := 0
	for _, c := range e.Changes {
		steps += c.Times
	}
	if steps != p.Len()-1 {
		t.Errorf("%d changes over %d cells: some step changes more than one factor", steps, p.Len())
	}
	if e.ChangeTime != p.Bound() {
		t.Errorf("changes take %g min, the bound is %g", e.ChangeTime, p.Bound())
	}
	seen := map[string]bool{}
	for i := range p.Len() {
		cell := p.Cell(i)
		key := ""
		for _, f := range p.Factors() {
			key += f.Name + "=" + cell[f.Name] + ";"
		}
		if seen[key] {
			t.Fatalf("cell %d comes twice: %s", i, key)
		}
		seen[key] = true
	}
}
