package analysis_test

import (
	"fmt"
	"maps"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// tagged is a pass with tags of the factors in their usual order, "" for none.
func tagged(id string, values ...string) record.Pass {
	p := record.Pass{ID: id, Verdict: record.Clean, Tags: record.Tags{}, Metrics: record.Metrics{Frames: 6000, AvgFPS: 100, Low1FPS: 70}}
	for i, v := range values {
		if v != "" {
			p.Tags[record.CellFactors[i]] = record.Tag{Value: v, From: record.FromPath}
		}
	}
	return p
}

func TestGapsAreCellsThatLackOnlyTags(t *testing.T) {
	// cpu, gpu, game, scene, resolution, preset
	cells := analysis.Cells([]record.Pass{
		tagged("a1", "Onyx 8", "Slate 70", "Glass Terrace", "", "1920x1080", "high"),
		tagged("a2", "Onyx 8", "Slate 70", "Glass Terrace", "", "", "high"),          // a gap
		tagged("b1", "Onyx 8", "Slate 70", "Copper Drift", "", "", "high"),           // another game that has no resolutions
		tagged("c1", "Onyx 8", "Slate 90", "Glass Terrace", "", "2560x1440", "high"), // another card
		tagged("d1", "Onyx 8", "Slate 70", "", "", "", ""),                           // lacks more than it has
		tagged("e1", "", "Slate 90", "Glass Terrace", "", "2560x1440", "high"),       // a gap
		tagged("f1", "Onyx 8", "Slate 70", "Glass Terrace", "pier", "1920x1080", "ultra"),
	}, analysis.Options{})
	var got []string
	for _, g := range analysis.Gaps(cells) {
		text := strings.Join(g.Cell.IDs(), " ") + " lacks " + strings.Join(g.Missing, " ") + ":"
		for _, l := range g.Like {
			text += " " + strings.Join(l.IDs(), " ")
		}
		got = append(got, text)
	}
	if want := "e1 lacks cpu: c1\na2 lacks resolution: a1"; strings.Join(got, "\n") != want {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), want)
	}
}

// A matrix of many cells, in which three lack a tag: comparing each with each would take
// a hundred million comparisons.
func TestGapsOfManyCells(t *testing.T) {
	sets := testlab.Rounds(t, 3_000, 10_000)
	var passes []record.Pass
	for i := range sets {
		passes = append(passes, tagged(fmt.Sprint("p", i), fmt.Sprint("cpu ", i%20), fmt.Sprint("gpu ", i/20%50), fmt.Sprint("game ", i/1000), "pier", "1920x1080", "high"))
	}
	passes = append(passes,
		tagged("g1", "cpu 3", "gpu 4", "game 2", "pier", "", "high"),
		tagged("g2", "", "gpu 4", "game 2", "pier", "1920x1080", "high"),
		tagged("g3", "cpu 3", "gpu 4", "game 99", "pier", "", "high"))
	cells := analysis.Cells(passes, analysis.Options{})
	if len(cells) != sets+3 {
		t.Fatalf("%d cells", len(cells))
	}
	got := map[string]string{}
	for _, g := range analysis.Gaps(cells) {
		got[strings.Join(g.Cell.IDs(), " ")] = fmt.Sprintf("%v of %d", g.Missing, len(g.Like))
	}
	if want := map[string]string{"g1": "[resolution] of 1", "g2": "[cpu] of 20"}; !maps.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// What the search for odd cells leaves out it names, with passes, tags and what it takes.
func TestOddSaysWhatItCannotTest(t *testing.T) {
	Capped := tagged("c1", "Onyx 8", "Slate 70", "Copper Drift", "", "", "low")
	Capped.Findings = []record.Finding{{Check: "framecap", Outcome: record.Bad, Numbers: map[string]float64{"cap_fps": 60}}}
	bad := tagged("b1", "Onyx 8", "Slate 70", "Copper Drift", "", "", "high")
	bad.Verdict = record.VerdictBad
	cells := analysis.Cells([]record.Pass{
		tagged("a1", "Onyx 8", "", "Glass Terrace", "", "", "high"), tagged("a2", "Onyx 8", "", "Glass Terrace", "", "", "low"),
		tagged("d1", "", "", "Glass Terrace", "", "", "low"),
		Capped, bad,
		tagged("e1", "Onyx 8", "Slate 70", "Salt Flats", "", "", "low"),
	}, analysis.Options{})
	r := oddcell.Find(cells, analysis.Options{})
	text := strings.Join(r.Outside, "\n")
	for _, want := range []string{
		`Onyx 8 / Glass Terrace / high (a1): its passes have no tag "gpu"; so it is with 1 cell more`,
		`(d1): its passes have no tag "cpu"; its passes have no tag "gpu"`,
		"(c1): held by a frame cap", "(b1): no usable pass",
		"Salt Flats: 1 cell of 1 processor and 1 card do not tell",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said:\n%s", want, text)
		}
	}
	if len(r.Outside) != 5 || r.Tested != 0 {
		t.Errorf("%d tested; said:\n%s", r.Tested, text)
	}
	limits, _ := limit.Limits(cells, nil, analysis.Options{})
	for _, l := range limits {
		if l.Factors["preset"] == "high" && l.Factors["game"] == "Glass Terrace" && l.Reason != `its passes have no tag "gpu" (a1)` {
			t.Errorf("limit: %q", l.Reason)
		}
	}
}
