package main

import (
	"path/filepath"
	"testing"

	"capd.example/internal/testlab"
)

// TestNothingBadGetsPast: on each set every disturbed pass is found by the validator that
// is there for it, and undisturbed ones are left alone. One recorded pass counts as clean
// though other work took 91 % of a processor beside it (its manifest says so); that drift
// speaks up about it is known.
func TestNothingBadGetsPast(t *testing.T) {
	recordedSet, err := recorded(filepath.Join(testlab.Root(), "testdata", "real-passes"))
	if err != nil {
		t.Fatal(err)
	}
	liveSet, err := live(liveSet(testlab.Root()))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		set    []labelled
		alarms map[string]int
	}{
		{"recorded", recordedSet, map[string]int{"drift": 1}},
		{"live", liveSet, nil},
		{"simulated", simulated(40), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			names, scores := judge(c.set, false)
			wanted := 0
			for _, n := range names {
				s := scores[n]
				wanted += s.wanted
				for _, m := range s.missed {
					t.Errorf("%s missed %s", n, m)
				}
				if s.alarms > c.alarms[n] {
					t.Errorf("%s: false alarms: %q", n, s.cried)
				}
			}
			if wanted == 0 {
				t.Error("no disturbed pass in the set")
			}
		})
	}
}
