package main

import (
	"strings"
	"testing"
	"time"
)

func TestOverruleTakesSelections(t *testing.T) {
	r := bench(t)
	for i, preset := range []string{"low", "high"} {
		r.keep(time.Now().Add(-time.Duration(i+1)*time.Hour), 60, "1", map[string]string{"gpu": "A60", "game": "Copper Drift", "preset": preset, "campaign": "shakedown"})
	}
	bad := func() int {
		_, out, _ := r.run("passes", "--json", "--verdict", "bad")
		return strings.Count(out, "\n")
	}
	status, out, said := r.run("overrule", "--tag", "preset=low", "bad", "--dry-run")
	if status != 0 || strings.Count(out, "clean -> bad") != 3 || bad() != 0 {
		t.Errorf("--dry-run ended with %d: %s%s", status, out, said)
	}
	if status, _, said = r.run("overrule", "--tag", "preset=low", "bad", "--why", "wrong scene"); status != 0 || bad() != 3 || !strings.Contains(said, "3 passes set to bad by hand") {
		t.Errorf("%d, %d bad: %s", status, bad(), said)
	}
	if status, _, said = r.run("overrule", "--undo", "--since", "5h", "--why", "it was right"); status != 0 || bad() != 0 {
		t.Errorf("%d, %d bad: %s", status, bad(), said)
	}
	if status, _, said = r.run("overrule", "--undo", "--since", "5h", "--why", "again"); status != 3 || !strings.Contains(said, "no pass is selected") {
		t.Errorf("nothing to undo: %d, %s", status, said)
	}
	if status, _, said = r.run("overrule", "--tag", "preset=low", "bad", "--why", "loose\x00\xff\xfe\tcooler\n\x1b[2J"); status != 0 {
		t.Errorf("%d, %s", status, said)
	}
	if _, out, _ = r.run("passes", "--json", "--verdict", "bad"); strings.Count(out, `"overruled":"loose��� cooler �[2J"`) != 3 {
		t.Errorf("the reason is kept as %s", out)
	}
	if status, _, said = r.run("overrule", "--tag", "preset=low", "clean", "--why", "\x00 \x1b"); status != 2 || !strings.Contains(said, "--why is empty") {
		t.Errorf("a reason that nobody sees: %d, %s", status, said)
	}
	if status, _, said = r.run("overrule", "bad", "--why", "x"); status != 2 || !strings.Contains(said, "no pass is named") {
		t.Errorf("without a selection: %d, %s", status, said)
	}
}
