package ready_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/ready"
	"capd.example/record"
)

// whole is a system of which everything is known that readers are owed.
func whole(id, card, driver string, leave ...string) record.System {
	s := record.System{ID: id}
	for name, v := range map[string]string{record.FieldProcessorName: "Quillon 300", record.FieldGraphicsName: card,
		record.FieldGraphicsDriver: driver, record.FieldMemorySize: "32", record.FieldMemorySpeed: "6000",
		record.FieldBoardName: "Tern 7", record.FieldFirmwareVersion: "1.2", record.FieldOSName: "Slate", record.FieldOSBuild: "9"} {
		if !slices.Contains(leave, name) {
			s.Fields = append(s.Fields, record.Field{Name: name, Value: v, Source: "test", Identity: true})
		}
	}
	return s
}

// bench is a campaign that can be spoiled in one thing.
type bench struct {
	passes  []record.Pass
	systems map[string]record.System
}

func (b *bench) add(system, card, preset string, rates ...float64) {
	for _, y := range rates {
		n := len(b.passes)
		tag := func(v string) record.Tag { return record.Tag{Value: v, From: record.FromPath} }
		b.passes = append(
			b.passes,
			record.Pass{ID: fmt.Sprintf("%012x", n), SHA256: fmt.Sprintf("%064x", n), Bench: "one",
				System: system, Verdict: record.Clean, StartedAt: time.Date(2026, 3, 1, 9, n, 0, 0, time.UTC),
				Tags: record.Tags{
					"cpu":    tag("Quillon 300"),
					"gpu":    tag(card),
					"game":   tag("Salt Roads"),
					"preset": tag(preset),
				},
				Metrics: record.Metrics{Frames: 6000, DurationS: 60, AvgFPS: y, Low1FPS: 0.7 * y}},
		)
	}
}

func sound() *bench {
	b := &bench{
		systems: map[string]record.System{"s1": whole("s1", "Ember 20", "5.1"), "s2": whole("s2", "Lumen 7", "31.0")},
	}
	b.add("s1", "Ember 20", "low", 100, 100.3, 99.8)
	b.add("s1", "Ember 20", "high", 70, 70.2, 69.9)
	b.add("s2", "Lumen 7", "low", 120, 120.3, 119.8)
	b.add("s2", "Lumen 7", "high", 85, 85.2, 84.9)
	return b
}

func (b *bench) check(change func(*ready.Input)) []ready.Concern {
	o := analysis.Options{Systems: b.systems}
	in := ready.Input{Cells: analysis.Cells(b.passes, o), Passes: b.passes, Systems: b.systems,
		Factors: record.CellFactors, Planned: 4}
	if change != nil {
		change(&in)
	}
	return ready.Check(in)
}

// A campaign in order has nothing against it, and each thing that is spoiled is told as what
// it is, with the cells or passes that it concerns and what to do.
func TestEachConcernIsTold(t *testing.T) {
	if got := sound().check(nil); len(got) > 0 {
		t.Fatalf("nothing is wrong, but: %+v", got)
	}
	low := map[string]string{"cpu": "Quillon 300", "gpu": "Ember 20", "game": "Salt Roads", "preset": "low"}
	for _, c := range []struct {
		name   string
		spoil  func(*bench)
		change func(*ready.Input)
		kind   ready.Kind
		says   string
		cells  int
		passes int
	}{
		{"odd", nil, func(in *ready.Input) {
			in.Odd = []ready.Suspect{{Factors: low, Reason: "the others suggest 104 FPS", Advice: "measure it again", Passes: []string{"x"}}}
		}, ready.Odd, "Ember 20 / Salt Roads / low: the others suggest 104 FPS", 1, 1},
		{"open", nil, func(in *ready.Input) { in.Open = []ready.Planned{{low, 1, 3}}; in.Planned = 5 },
			ready.Open, "1 of 5 cells planned have too few good passes: Quillon 300 / Ember 20 / Salt Roads / low (1 of 3)", 1, 0},
		{"few without a campaign", func(b *bench) { b.add("s1", "Ember 20", "mid", 80) }, func(in *ready.Input) { in.Planned = 0 },
			ready.Open, "mid (1 of 3)", 1, 0},
		{"doubtful", func(b *bench) {
			for i := range 2 {
				b.passes[i].Verdict = record.VerdictDoubtful
				b.passes[i].Findings = []record.Finding{{Check: "thermal", Outcome: record.Doubtful, Reason: "the card was at 91 C."}}
			}
		}, nil, ready.Doubtful, "2 passes count although the check thermal found reason to doubt; the first of them: the card was at 91 C", 1, 2},
		{"unverified", func(b *bench) {
			b.passes[0].Verdict = record.Unverified
			b.passes[0].Findings = []record.Finding{{Check: "thermal", Outcome: record.NotChecked, Reason: "no sensor"}}
		}, nil, ready.Doubtful, "counts although the check thermal could not look", 1, 1},
		{"disagree", func(b *bench) { b.passes[0].Metrics.AvgFPS = 112 }, nil, ready.Disagree, "the passes of 1 cell differ too much", 1, 0},
		{"older", nil, func(in *ready.Input) { in.Cells[0].Older = &analysis.Older{Campaign: "spring", Passes: 3} },
			ready.Foreign, "1 cell rests on older passes: campaign spring", 1, 0},
		{"untagged", nil, func(in *ready.Input) { in.Foreign = []string{"campaign x also counts 3 without a campaign"} },
			ready.Foreign, "also counts 3", 0, 0},
		{"driver of a card", func(b *bench) {
			b.systems["s3"] = whole("s3", "Ember 20", "5.2")
			for i := 3; i < 6; i++ {
				b.passes[i].System = "s3"
			}
		}, nil, ready.Driver, "Ember 20 was measured with several drivers: 5.1 (3 passes), 5.2 (3 passes)", 1, 0},
		{"drivers of a maker", func(b *bench) {
			b.systems["s3"] = whole("s3", "Ember 30", "5.2")
			b.add("s3", "Ember 30", "low", 110, 110.2, 109.8)
		}, nil, ready.Driver, "cards of Ember were measured with different drivers: 5.1 (6 passes), 5.2 (3 passes)", 1, 0},
		{"memory within a cell", func(b *bench) {
			s := whole("s3", "Ember 20", "5.1", record.FieldMemorySpeed)
			s.Fields = append(s.Fields, record.Field{Name: record.FieldMemorySpeed, Value: "4800", Identity: true})
			b.systems["s3"], b.passes[1].System = s, "s3"
		}, nil, ready.Mixed, "in 1 cell the mean is of passes of more than one memory configured speed: 4800; 6000", 1, 0},
		{"not known", func(b *bench) {
			b.systems["s2"] = whole("s2", "Lumen 7", "31.0", record.FieldBoardName, record.FieldFirmwareVersion)
		},
			nil, ready.Disclosure, "not known of 6 passes: the board, the version of the firmware", 0, 6},
		{"no system", func(b *bench) { b.systems = nil }, nil, ready.Disclosure, "not known of all passes: the graphics driver, the size of", 0, 12},
	} {
		b := sound()
		if c.spoil != nil {
			c.spoil(b)
		}
		got := b.check(c.change)
		if len(got) != 1 || got[0].Kind != c.kind || !strings.Contains(got[0].Text, c.says) || len(got[0].Cells) != c.cells ||
			len(got[0].Passes) != c.passes ||
			got[0].Advice == "" {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// A concern has the notes that are about all of its cells, and no others.
func TestNotesBesideConcerns(t *testing.T) {
	b := sound()
	got := b.check(func(in *ready.Input) {
		first, second := in.Cells[0].Factors, in.Cells[1].Factors
		in.Odd = []ready.Suspect{{Factors: first, Reason: "off", Advice: "look"}}
		in.Cells[0].Older = &analysis.Older{Campaign: "spring"}
		in.Cells[1].Older = &analysis.Older{Campaign: "spring"}
		in.Notes = []record.Note{{About: first, Text: "the cell"}, {About: second, Text: "the other"},
			{About: map[string]string{"game": first["game"]}, Text: "the game"}, {About: map[string]string{"campaign": "x"}, Text: "the campaign"}}
	})
	if len(got) != 2 || strings.Join(got[0].Notes, ", ") != "the cell, the game" || strings.Join(got[1].Notes, ", ") != "the game" {
		t.Errorf("%+v", got)
	}
	if want := "2 cells rest on older passes: campaign spring"; got[1].Text != want {
		t.Errorf("%q, want %q", got[1].Text, want)
	}
}

// What holds for every pass is said once, and a list of a thousand cells stays a line.
func TestWhatHoldsForAllIsSaidOnce(t *testing.T) {
	b := &bench{systems: map[string]record.System{}}
	for i := range 300 {
		b.add("gone", "Ember 20", fmt.Sprint("p", i), 100)
	}
	got := b.check(func(in *ready.Input) { in.Planned = 0 })
	if len(got) != 2 || got[0].Kind != ready.Open || got[1].Kind != ready.Disclosure {
		t.Fatalf("%d concerns", len(got))
	}
	for _, c := range got {
		if len(c.Text) > 400 {
			t.Errorf("%d characters: %s", len(c.Text), c.Text)
		}
	}
	if len(got[0].Cells) != 300 || len(got[1].Passes) != 300 {
		t.Errorf("%d cells, %d passes", len(got[0].Cells), len(got[1].Passes))
	}
}
