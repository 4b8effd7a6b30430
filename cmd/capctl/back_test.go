package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"capd.example/internal/steering"
)

const shakedown = `
name = "shakedown"
[factors]
gpu = ["A60", "A70"]
preset = ["low", "high", "ultra"]
[change_minutes]
gpu = 15
preset = 1
[[game]]
name = "Copper Drift"
`

func bench(t *testing.T) *room {
	r := newRoom(t)
	r.write("capd.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\ncampaign = \"c.toml\"\n")
	r.write("c.toml", shakedown)
	return r
}

// at runs a command that prints a position and returns it.
func (r *room) at(args ...string) (steering.PositionLine, string) {
	r.t.Helper()
	status, out, said := r.run(append(args, "--json")...)
	var l steering.PositionLine
	if err := json.Unmarshal([]byte(out), &l); status != 0 || err != nil {
		r.t.Fatalf("%v ended with %d: %s%s", args, status, out, said)
	}
	return l, said
}

func TestBackKeepsTheParts(t *testing.T) {
	r := bench(t)
	pass := func(gpu, preset string, at time.Time) {
		r.keep(at, 60, "1", map[string]string{"gpu": gpu, "game": "Copper Drift", "preset": preset, "campaign": "shakedown"})
	}
	now := time.Now().Add(-3 * time.Hour)
	r.at("begin", "gpu=A60", "preset=high")
	r.at("begin", "gpu=A70", "preset=high") // of this card nothing was recorded yet
	l, said := r.at("back")
	if l.Tags["gpu"] != "A70" || l.Tags["preset"] == "high" || !l.Stay {
		t.Errorf("back leads to %v", l.Tags)
	}
	if !strings.Contains(said, "assumed to be built in: gpu=A70") {
		t.Errorf("the part is not said: %s", said)
	}
	pass("A60", "low", now.Add(time.Hour)) // the latest of all is of the other card
	pass("A70", "ultra", now)
	r.at("begin", "gpu=A70", "preset=low")
	if l, _ = r.at("back"); l.Tags["gpu"] != "A70" || l.Tags["preset"] != "ultra" {
		t.Errorf("back does not lead to the last cell with a pass: %v", l.Tags)
	}
	pass("A70", "high", now.Add(-time.Hour))
	if l, _ = r.at("back"); l.Tags["gpu"] != "A70" || l.Tags["preset"] != "high" {
		t.Errorf("back once more does not lead to the cell recorded before: %v", l.Tags)
	}
	pass("A70", "low", now.Add(-2*time.Hour))
	if l, _ = r.at("back"); l.Tags["preset"] != "low" {
		t.Errorf("back goes forward again, to %v", l.Tags)
	}
	r.at("begin", "gpu=A70", "preset=low")
	if l, _ = r.at("back", "preset=high"); l.Tags["gpu"] != "A70" || l.Tags["preset"] != "high" {
		t.Errorf("back preset=high leads to %v", l.Tags)
	}
	if l, _ = r.at("back", "gpu=A60", "preset=low"); l.Tags["gpu"] != "A60" {
		t.Errorf("a card that is named is not taken: %v", l.Tags)
	}
	r.write("c.toml", shakedown+"[[exclude]]\ngpu = \"A70\"\npreset = [\"high\", \"ultra\"]\n")
	r.at("begin", "gpu=A70", "preset=low")
	if status, _, said := r.run("back"); status != 2 || !strings.Contains(said, "with gpu=A70 there is no cell to go back to") {
		t.Errorf("back to another card by itself: %d, %s", status, said)
	}
	if status, _, said := r.run("back", "preset=high"); status != 2 || !strings.Contains(said, `back preset=high gpu=A60`) {
		t.Errorf("what to type is not said: %d, %s", status, said)
	}
}

func TestSkippedCellsAreCountedAndTakenUpAgain(t *testing.T) {
	r := bench(t)
	r.at("begin", "gpu=A60", "preset=low")
	l, said := r.at("skip", "gpu=A60")
	if l.Skipped != 3 || l.Out != 9 || l.Passes != 18 || l.Tags["gpu"] != "A70" {
		t.Errorf("skipped: %+v", l)
	}
	if !strings.Contains(said, "3 cells skipped, 9 passes open") || !strings.Contains(said, "skip --undo gpu=A60") {
		t.Errorf("it says %s", said)
	}
	if _, out, _ := r.run("coverage"); !strings.Contains(out, "left: 18 passes") || !strings.Contains(out, "9 of them in 3 skipped cells") {
		t.Errorf("what is left lacks what is skipped:\n%s", out)
	}
	if l, _ = r.at("skip", "--undo", "gpu=A60"); l.Skipped != 0 || l.Tags["gpu"] != "A60" || l.Tags["preset"] != "low" {
		t.Errorf("the same words do not take it back, or do not lead back: %+v", l)
	}
	if status, _, said := r.run("skip", "--undo", "gpu=A60"); status == 0 || !strings.Contains(said, "none of these cells is skipped") {
		t.Errorf("twice: %d, %s", status, said)
	}
	// By a pattern, by passes, and the last one without words.
	r.keep(time.Now().Add(-time.Hour), 60, "1", map[string]string{"gpu": "A60", "game": "Copper Drift", "preset": "ultra", "campaign": "shakedown"})
	r.at("skip", "preset=*l*")
	if l, _ = r.at("skip", "--since", "2h"); l.Skipped != 3 { // that cell is complete and skipped with the others
		t.Errorf("%+v", l)
	}
	r.at("skip", "--tag", "preset=high")
	if l, _ = r.at("next"); l.Skipped != 5 {
		t.Errorf("%+v", l)
	}
	if l, said = r.at("skip", "--undo"); l.Skipped != 3 || !strings.Contains(said, "2 cells back in the plan") ||
		!strings.Contains(said, "you stay at cell ") && l.Tags["preset"] != "high" {
		t.Errorf("the last one is not taken back: %+v %s", l, said)
	}
}

// With [control] in the campaign file `next` asks for the control cell before the card is
// taken out, and when a session begins; its passes are none too many of a complete cell.
func TestNextAsksForControlCells(t *testing.T) {
	r := bench(t)
	r.write("c.toml", shakedown+"[control]\n")
	pass := func(gpu, preset, boot string, at time.Time) {
		r.keep(at, 60, "1", map[string]string{"gpu": gpu, "game": "Copper Drift", "preset": preset, "campaign": "shakedown", "boot": boot})
	}
	now := time.Now().Add(-90 * time.Minute)
	r.at("begin", "gpu=A60", "preset=low")
	for i, preset := range []string{"low", "high", "ultra"} {
		pass("A60", preset, "1", now.Add(time.Duration(i)*5*time.Minute))
	}
	r.at("begin", "gpu=A60", "preset=low") // what is stored is older than the first order
	l, _ := r.at("next")
	if l.Stay { // begun with a complete cell
		l, _ = r.at("next")
	}
	if l.Control == nil || l.Tags["gpu"] != "A60" || !strings.Contains(l.Advice, "restart the bench") {
		t.Fatalf("%+v", l)
	}
	_, out, _ := r.run("coverage")
	if !strings.Contains(out, "before you take out A60: next: restart the bench") || !strings.Contains(out, "control cells: measured again in 0 further sessions; 16 are enough") {
		t.Errorf("%s", out)
	}
	pass("A60", l.Tags["preset"], "2", time.Now().Add(time.Minute))
	l, _ = r.at("next")
	if l.Control == nil || l.Tags["gpu"] != "A60" || !strings.Contains(l.Advice, "restart the bench") { // two build-ups: two restarts each
		t.Fatalf("%+v", l)
	}
	control := l.Tags["preset"]
	pass("A60", control, "3", time.Now().Add(5*time.Minute))
	if l, _ = r.at("next"); l.Control != nil || l.Tags["gpu"] != "A70" || l.Tags["preset"] != control { // the next card begins with it
		t.Errorf("%+v", l)
	}
	_, out, _ = r.run("coverage", "--json")
	if !strings.Contains(out, `"wanted":3,"done":9`) || !strings.Contains(out, `"control":{"sessions":3,`) {
		t.Errorf("%s", out)
	}
	if _, out, _ = r.run("coverage"); !strings.Contains(out, "3 of 6 cells complete, 9 of 18 passes done") {
		t.Errorf("%s", out)
	}
	if _, out, _ = r.run("plan"); !strings.Contains(out, "Control cells show what a rebuild or a restart shifts") {
		t.Errorf("%s", out)
	}
}
