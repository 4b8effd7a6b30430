package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"capd.example/internal/steering"
)

func TestAShiftIsSummedUp(t *testing.T) {
	r := bench(t)
	r.write("c.toml", strings.Replace(shakedown, "[factors]", "pass_minutes = 4\nhours_per_day = 6\n[factors]", 1))
	tags := func(preset string) map[string]string {
		return map[string]string{"gpu": "A60", "game": "Copper Drift", "preset": preset, "campaign": "shakedown"}
	}
	now := time.Now().Truncate(time.Second)
	r.keep(now.Add(-10*time.Hour), 60, "1", tags("low")) // the shift before
	r.keep(now.Add(-3*time.Hour), 60, "1", tags("high"))
	r.keep(now.Add(-time.Hour-150*time.Second), 60, "1", tags("ultra")) // to one hour ago
	_, out, _ := r.run("passes", "--json", "--limit", "1")
	var last struct{ ID string }
	if err := json.Unmarshal([]byte(out), &last); err != nil {
		t.Fatal(err)
	}
	if status, _, said := r.run("overrule", last.ID, "bad", "--why", "wrong scene"); status != 0 {
		t.Fatal(said)
	}
	status, out, said := r.run("shift", "--json")
	var x steering.Shift
	if err := json.Unmarshal([]byte(out), &x); status != 0 || err != nil {
		t.Fatalf("%d, %v: %s%s", status, err, out, said)
	}
	if x.Passes != 6 || x.Good != 5 || x.Repeats != 1 || x.Lost != 4 || x.Hours < 1.99 || x.Hours > 2.01 {
		t.Errorf("the shift is %+v", x)
	}
	if x.Left != 10 || x.PaceMinutes < 239 || x.PaceMinutes > 241 || x.DoneAt == nil {
		t.Errorf("what is left: %+v", x)
	} else if d := x.DoneAt.Sub(now); d < 239*time.Minute || d > 242*time.Minute {
		t.Errorf("done in %v, want about four hours", d)
	}
	if _, out, _ = r.run("shift"); !strings.Contains(out, "(2:00 h): 6 passes, 5 good, 1 to repeat\nlost: 4 min (by hand 1)\nleft of shakedown: 10 passes, ") {
		t.Errorf("it says\n%s", out)
	}
	if _, out, _ = r.run("shift", "--since", "11h", "--json"); !strings.Contains(out, `"passes":9`) {
		t.Errorf("--since does not reach back: %s", out)
	}
	// once more the pass that was bad, and beside it nothing else is to be repeated
	r.keep(now.Add(-30*time.Minute), 60, "1", tags("ultra"))
	if _, out, _ = r.run("shift"); !strings.Contains(out, " 0 to repeat, 1 repeated since\nlost: 4 min (by hand 1)\n") {
		t.Errorf("after the repeat it says\n%s", out)
	}
	if at := steering.DoneAt(now, 13, 6); at.Sub(now.AddDate(0, 0, 2)) != time.Hour {
		t.Errorf("13 hours at 6 a day end at %v", at)
	}
}
