package campaign_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/record"
)

func TestControls(t *testing.T) {
	const text = `
name = "c"
[factors]
cpu = ["P1", "P2", "P3"]
gpu = ["G1", "G2"]
resolution = ["1920x1080", "3840x2160"]
[change_minutes]
cpu = %CPU%
gpu = 15
[[game]]
name = "Long"
pass_minutes = 6
[[game]]
name = "Short"
pass_minutes = 2
`
	for cost, resolution := range map[string]string{"40": "1920x1080", "5": "3840x2160"} {
		c, err := campaign.Parse([]byte(strings.Replace(text, "%CPU%", cost, 1)))
		if err != nil {
			t.Fatal(err)
		}
		p, err := campaign.NewPlan(c)
		if err != nil {
			t.Fatal(err)
		}
		got := p.Controls()
		if got.Builds != 6 || got.Wanted != 6 || got.Passes != 18 || got.Minutes != 6*3+18*2 || got.Cell["game"] != "Short" || got.Cell["resolution"] != resolution || got.Cell["cpu"] != "" {
			t.Errorf("changing the processor costs %s: %+v", cost, got)
		}
	}
}

const controlled = `
name = "c"
passes = 2
[factors]
cpu = ["P1", "P2"]
gpu = ["G1", "G2"]
resolution = ["low", "high"]
[change_minutes]
cpu = 40
gpu = 15
resolution = 1
[[game]]
name = "Salt Flats"
pass_minutes = 2
`

// desk plays a reviewer who records what the position asks for, as the agent would: each
// pass is stored with the start of the machine that it was recorded after.
type desk struct {
	t      *testing.T
	plan   *campaign.Plan
	orders []campaign.Order
	passes []record.Pass
	at     time.Time
	boot   int
}

func newDesk(t *testing.T, text string) *desk {
	t.Helper()
	c, err := campaign.Parse([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	p, err := campaign.NewPlan(c)
	if err != nil {
		t.Fatal(err)
	}
	d := &desk{t: t, plan: p, at: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	d.order(campaign.Begin, 0)
	return d
}

func (d *desk) order(v campaign.Verb, cell int) {
	d.at = d.at.Add(time.Minute)
	d.orders = append(d.orders, campaign.Order{Verb: v, Cell: d.plan.Cell(cell), At: d.at})
}

func (d *desk) see() (campaign.Position, *campaign.Coverage) {
	return d.plan.ReplayOn(d.orders, d.passes, campaign.Now{Bench: "bench", At: d.at})
}

// record records a pass of the cell that is asked for, or of another.
func (d *desk) record(cell int, verdict record.Verdict) {
	d.at = d.at.Add(3 * time.Minute)
	tags := record.Tags{record.TagBoot: {Value: fmt.Sprint("boot ", d.boot)}}
	for name, v := range d.plan.Cell(cell) {
		tags[name] = record.Tag{Value: v}
	}
	d.passes = append(d.passes, record.Pass{ID: fmt.Sprint("pass ", len(d.passes)), Bench: "bench", Tags: tags, Verdict: verdict, StartedAt: d.at.Add(-time.Minute), EndedAt: d.at,
		System: "with " + tags.Value("cpu") + tags.Value("gpu"), Metrics: record.Metrics{AvgFPS: 100}})
}

// walk records what is asked for until n passes are stored, restarting where that is asked.
func (d *desk) walk(n int) {
	d.t.Helper()
	for len(d.passes) < n {
		pos, cover := d.see()
		if pos.Cell < 0 {
			d.t.Fatalf("nothing is asked for after %d passes", len(d.passes))
		}
		if strings.Contains(cover.Advice(pos.Cell, pos), "restart the bench") {
			d.boot++
		}
		d.record(pos.Cell, record.Clean)
	}
}

// Before a part is taken out the control cell is asked for again after a restart, in each
// build-up; only passes after a restart count as that, and then the plan goes on.
func TestControlCellBeforeThePartsAreExchanged(t *testing.T) {
	d := newDesk(t, controlled+"[control]\n")
	d.walk(4)
	pos, cover := d.see()
	if name := d.plan.Name(pos.Cell); !pos.Control || name != "P1 / G1 / Salt Flats / low" {
		t.Fatalf("after the cells of the first build-up the position is at %s, control %v", name, pos.Control)
	}
	if text := cover.Advice(pos.Cell, pos); !strings.Contains(text, "restart the bench") {
		t.Errorf("%q", text)
	}
	d.record(pos.Cell, record.Clean) // without a restart: the same session
	if again, _ := d.see(); !again.Control || again.Cell != pos.Cell {
		t.Fatalf("a pass without a restart ends the control: %+v", again)
	}
	d.boot++
	d.record(pos.Cell, record.Clean)
	d.record(pos.Cell, record.VerdictBad)
	now, after := d.see()
	if text := after.Advice(now.Cell, now); !now.Control || text != "next: control pass 2 of 2 in this session" {
		t.Errorf("%q, %+v", text, now)
	}
	if line := after.Line(d.passes[len(d.passes)-1], pos, now); !strings.HasPrefix(line, "control cell (P1 / G1 / Salt Flats / low), a pass is bad: 1 of 2 good so far") {
		t.Errorf("%q", line)
	}
	d.record(pos.Cell, record.Clean)
	now, after = d.see()
	if name := d.plan.Name(now.Cell); !now.Control || name != "P1 / G2 / Salt Flats / low" { // each build-up begins with it
		t.Errorf("after the control the position is at %s", name)
	}
	if line := after.Line(d.passes[len(d.passes)-1], pos, now); !strings.HasPrefix(line, "control cell (P1 / G1 / Salt Flats / low), pass 2 of 2 in this session clean; next: the control cell: gpu=G2, 2 passes") {
		t.Errorf("%q", line)
	}
	// They are no part of what the cells want.
	if s, _, complete := after.Sum(nil); s.Wanted != 16 || s.Done != 4 || complete != 2 {
		t.Errorf("%+v, %d complete", s, complete)
	}
	d.boot++
	n := len(d.passes)
	left, minutes := after.All(now)
	if left != 12+3*2 || minutes != 12*2+40+15+4+3*(3+2*2) {
		t.Errorf("left: %d passes, %g minutes", left, minutes)
	}
	d.walk(n + left)
	pos, cover = d.see()
	if done, enough := cover.Repeats(); pos.Cell != -1 || done != 4 || enough != 16 {
		t.Errorf("at the end: cell %d, %d of %d", pos.Cell, done, enough)
	}
	if left, minutes := cover.All(pos); left != 0 || minutes != 0 {
		t.Errorf("left at the end: %d, %g", left, minutes)
	}
}

// On another day the control cell comes first: it is asked for, the position goes there
// when that is ordered and comes back afterwards, and no restart is wanted then.
func TestControlCellAtTheStartOfASession(t *testing.T) {
	d := newDesk(t, controlled+"[control]\n")
	d.walk(3)
	pos, cover := d.see()
	if _, ok := cover.ControlNow(pos); ok || d.plan.Name(pos.Cell) != "P1 / G1 / Salt Flats / high" {
		t.Fatalf("within the session a control is asked for at %s", d.plan.Name(pos.Cell))
	}
	d.at = d.at.Add(15 * time.Hour)
	d.boot++
	pos, cover = d.see()
	control, ok := cover.ControlNow(pos)
	if !ok || d.plan.Name(control) != "P1 / G1 / Salt Flats / low" || !strings.HasPrefix(cover.Advice(pos.Cell, pos), "a new session: measure the control cell first; 'capctl next' goes there: resolution=low") {
		t.Fatalf("on the next day: %v, %q", ok, cover.Advice(pos.Cell, pos))
	}
	home := pos.Cell
	d.order(campaign.Measure, control)
	if at, _ := d.see(); at.Cell != control || !at.Control {
		t.Fatalf("%+v", at)
	}
	d.record(control, record.Clean)
	d.record(control, record.Clean)
	pos, cover = d.see()
	if _, ok := cover.ControlNow(pos); ok || pos.Cell != home || pos.Control {
		t.Errorf("after the control: %s, asked again %v", d.plan.Name(pos.Cell), ok)
	}
	d.record(home, record.Clean)
	pos, _ = d.see()
	if d.plan.Cell(pos.Cell)["gpu"] != "G2" {
		t.Errorf("the build-up has its two sessions, and yet: %+v", pos)
	}
}

// A control that is skipped is not asked for again until it is taken up, and one whose parts
// were taken out is not either.
func TestControlCellSkipped(t *testing.T) {
	for _, how := range []string{"skip", "parts", "file"} {
		text := controlled + "[control]\n"
		if how == "file" {
			text = controlled
		}
		d := newDesk(t, text)
		d.walk(4)
		pos, _ := d.see()
		next := 3
		for i := range d.plan.Len() {
			if c := d.plan.Cell(i); c["cpu"] == "P1" && c["gpu"] == "G2" && c["resolution"] == "high" {
				next = i
			}
		}
		switch how {
		case "skip":
			d.order(campaign.Skip, pos.Cell)
		case "parts":
			d.boot++
			d.record(next, record.Clean)
		}
		now, cover := d.see()
		if d.plan.Cell(now.Cell)["gpu"] != "G2" || now.Skipped[pos.Cell] {
			t.Errorf("%s: %s, %+v", how, d.plan.Name(now.Cell), now)
		}
		if how == "file" {
			if _, ok := cover.Control(0); ok {
				t.Error("a control cell without [control]")
			}
			continue
		}
		if !now.NoControl[pos.Cell] {
			t.Errorf("%s: %+v", how, now)
		}
		d.order(campaign.Keep, pos.Cell)
		if now, _ := d.see(); now.NoControl[pos.Cell] {
			t.Errorf("%s: not taken up again", how)
		}
	}
}

// The file may say what a control cell is, how often and what a restart costs; two
// build-ups alone need two further sessions each, without which nothing is said.
func TestControlStated(t *testing.T) {
	d := newDesk(t, controlled+"[control]\nresolution = \"high\"\npasses = 5\nrepeats = 3\nrestart_minutes = 10\n")
	if got := d.plan.Controls(); !got.Stated || got.Cell["resolution"] != "high" || got.Passes != 15 || got.Minutes != 3*10+15*2 {
		t.Errorf("%+v", got)
	}
	two := strings.Replace(controlled, `cpu = ["P1", "P2"]`, `cpu = ["P1"]`, 1)
	d = newDesk(t, two+"[control]\n")
	if got := d.plan.Controls(); got.Builds != 2 || got.Wanted != 4 {
		t.Errorf("%+v", got)
	}
	d.walk(4 + 4)
	if _, cover := d.see(); func() bool { n, _ := cover.Repeats(); return n != 2 }() {
		t.Error("the first of two build-ups has not two further sessions")
	}
	for text, want := range map[string]string{
		"gpu = \"G1\"":           "line 16, column 1: control.gpu: a control cell is measured with every part",
		"resolution = \"no\"":    "resolution has no level",
		"passes = 0":             "is no number from 1 to 1000",
		"repeats = \"many\"":     "is no number from 1 to 1000",
		"restart_minutes = -1":   "not zero or more",
		"resolution = [\"low\"]": "name one level",
		"preset = \"low\"":       "has no factor",
	} {
		if _, err := campaign.Parse([]byte(controlled + "[control]\n" + text + "\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", text, err)
		}
	}
}
