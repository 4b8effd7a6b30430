package campaign_test

import (
	"strings"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/record"
)

func tags(pairs ...string) record.Tags {
	t := record.Tags{}
	for i := 0; i < len(pairs); i += 2 {
		t[pairs[i]] = record.Tag{Value: pairs[i+1], From: record.FromPath}
	}
	return t
}

func TestPlace(t *testing.T) {
	c := parse(t, small+`
[[exclude]]
gpu = "A60"
preset = "high"
why = "too slow"
`)
	p := plan(t, c)
	for _, x := range []struct {
		tags record.Tags
		why  string // "" for placed
	}{
		{tags("cpu", "B8", "gpu", "A70", "game", "Copper Drift", "preset", "high"), ""},
		{tags("cpu", "b8", "gpu", "a70", "game", "copper drift", "preset", "HIGH"), ""},
		{tags("cpu", "B8", "gpu", "A60", "game", "Copper Drift"), ""}, // one preset is left with this card
		{tags("cpu", "B8", "gpu", "A60", "game", "Copper Drift", "preset", "high"), "excludes this cell: too slow"},
		{tags("cpu", "B8", "gpu", "A70", "game", "Copper Drift"), "no tag preset: 2 cells fit"},
		{tags("cpu", "B8", "game", "Salt Flats", "preset", "low"), "no tag gpu: 2 cells fit"},
		{tags("cpu", "B8", "gpu", "A70", "game", "Salt Flats", "preset", "high"), `Salt Flats has no preset "high"`},
		{tags("cpu", "B8", "gpu", "Corona", "game", "Salt Flats", "preset", "low"), `gpu "Corona" is no level`},
		{tags(), "cells fit"},
	} {
		cell, why := p.Place(x.tags)
		if (cell >= 0) != (x.why == "") || !strings.Contains(why, x.why) {
			t.Errorf("%v: cell %d, %q; want %q", x.tags, cell, why, x.why)
		}
		if cell >= 0 {
			for name, v := range p.Cell(cell) {
				if got := x.tags.Value(name); got != "" && !strings.EqualFold(got, v) {
					t.Errorf("%v is placed in %s", x.tags, p.Name(cell))
				}
			}
		}
	}
}

func TestCoverCountsByVerdictAndLeavesOthersOut(t *testing.T) {
	c := parse(t, `since = "2026-02-03"`+"\n"+small)
	p := plan(t, c)
	passes := []record.Pass{
		made(p, 2, 0, record.Clean), made(p, 2, 1, record.VerdictBad), made(p, 2, 2, record.Unverified), made(p, 2, 3, record.VerdictDoubtful),
	}
	other := made(p, 2, 4, record.Clean)
	other.Tags["campaign"] = record.Tag{Value: "older"}
	early := made(p, 2, 5, record.Clean)
	early.StartedAt = early.StartedAt.Add(-48 * time.Hour)
	untagged := made(p, 2, 6, record.Clean)
	delete(untagged.Tags, "campaign")
	renamed := made(p, 2, 7, record.Clean)
	renamed.Tags["gpu"] = record.Tag{Value: "an old name"}
	cover := p.Cover(append(passes, other, early, untagged, renamed))
	s := cover.State(2)
	want := campaign.State{Wanted: 3, Done: 2, Clean: 2, Bad: 1, Unverified: 1, Doubtful: 1}
	if s != want || s.Missing() != 1 || s.Complete() {
		t.Errorf("%+v, want %+v", s, want)
	}
	if cover.Others != 2 || len(cover.Unplaced) != 1 || !strings.Contains(cover.Unplaced[0].Why, "an old name") {
		t.Errorf("%d others, unplaced %v", cover.Others, cover.Unplaced)
	}
	sum, cells, complete := cover.Sum(map[string]string{"cpu": "B8"})
	if cells != 6 || complete != 0 || sum.Wanted != 18 || sum.Done != 2 {
		t.Errorf("of one processor: %d cells, %d complete, %+v", cells, complete, sum)
	}
}

func TestAcceptedVerdictsAreDone(t *testing.T) {
	p := plan(t, parse(t, `accept = ["clean", "unverified"]`+"\n"+small))
	cover := p.Cover([]record.Pass{made(p, 0, 0, record.Unverified), made(p, 0, 1, record.VerdictDoubtful)})
	if s := cover.State(0); s.Done != 1 {
		t.Errorf("%+v", s)
	}
}

func TestBeforeListsWhatTheInstalledPartsStillOwe(t *testing.T) {
	p := plan(t, parse(t, small))
	cells, err := p.Find(map[string]string{"cpu": "B8", "gpu": "A60"})
	if err != nil || len(cells) != 3 {
		t.Fatal(cells, err)
	}
	passes := []record.Pass{made(p, cells[0], 0, record.Clean), made(p, cells[0], 1, record.Clean), made(p, cells[0], 2, record.Clean),
		made(p, cells[1], 3, record.VerdictBad), made(p, cells[1], 4, record.Clean)}
	open := p.Cover(passes).Before(campaign.Position{Cell: cells[1]}, cells[1])
	if open[0].Factor != "cpu" || open[0].Passes != 18-4 || open[1].Factor != "gpu" || open[1].Passes != 5 || open[1].Bad != 1 || len(open[1].Cells) != 2 {
		t.Errorf("%+v", open)
	}
	if got := strings.Join(open[1].With, " "); got != "cpu=B8 gpu=A60" {
		t.Errorf("with %s", got)
	}
}

func TestLeft(t *testing.T) {
	p := plan(t, parse(t, small))
	passes, minutes := p.Cover(nil).Left(campaign.Position{Cell: 0})
	e := p.Estimate(0)
	if passes != e.Passes || minutes != e.Total {
		t.Errorf("from the beginning %d passes, %g minutes are left; the plan says %d, %g", passes, minutes, e.Passes, e.Total)
	}
}
