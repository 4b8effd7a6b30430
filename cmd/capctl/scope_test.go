package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/selection"
	"capd.example/record"
	"capd.example/store"
)

// room is a folder with a configuration and a store.
type room struct {
	t   *testing.T
	dir string
	s   *store.Store
	n   int
}

func newRoom(t *testing.T) *room {
	t.Helper()
	dir := t.TempDir()
	s, err := store.Open(context.Background(), filepath.Join(dir, "data", "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return &room{t: t, dir: dir, s: s}
}

func (r *room) write(name, text string) string {
	r.t.Helper()
	path := filepath.Join(r.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		r.t.Fatal(err)
	}
	return path
}

// keep stores three passes of about this rate, a minute apart.
func (r *room) keep(at time.Time, fps float64, driver string, tags map[string]string) {
	r.t.Helper()
	ctx := context.Background()
	sys := record.System{Fields: []record.Field{
		{Name: "processor.name", Value: "Lithic Basalt 8", Identity: true},
		{Name: "graphics.0.name", Value: "Nordwind " + tags["gpu"], Identity: true},
		{Name: "graphics.0.driver", Value: driver, Identity: true},
	}}
	sys.ID = sys.Identity()
	for i := range 3 {
		r.n++
		rate := fps * (1 + 0.002*float64(i-1))
		sum := sha256.Sum256(fmt.Append(nil, r.n))
		start := at.Add(time.Duration(i) * time.Minute)
		p := record.Pass{SHA256: fmt.Sprintf("%x", sum), Bench: "bench-1", Log: fmt.Sprintf("logs/%d.csv", r.n), Tags: record.Tags{}, System: sys.ID,
			StartedAt: start, EndedAt: start.Add(30 * time.Second),
			Metrics: record.Metrics{Frames: 3000, DurationS: 30, AvgFPS: rate, Low1FPS: rate / 2, Low01FPS: rate / 3, Low1TimeFPS: rate / 2, P99FPS: rate / 2, MedianMS: 1000 / rate, P95MS: 1200 / rate, P99MS: 2000 / rate, P999MS: 3000 / rate, MaxMS: 4000 / rate}}
		for name, v := range tags {
			p.Tags[name] = record.Tag{Value: v, From: record.FromPath}
		}
		got, err := r.s.Save(ctx, store.Arrival{Pass: p, Frames: record.Frames{MS: []float64{10, 11, 12}}, System: sys})
		if err == nil {
			err = r.s.Finish(ctx, got.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean)
		}
		if err == nil {
			err = r.s.MarkNotified(ctx, got.ID)
		}
		if err != nil {
			r.t.Fatal(err)
		}
	}
}

// run runs capctl in the room.
func (r *room) run(args ...string) (status int, out, said string) {
	r.t.Helper()
	var stdout, stderr bytes.Buffer
	if args[0] != "--config" {
		args = append([]string{"--config", filepath.Join(r.dir, "capd.toml")}, args...)
	}
	status = run(context.Background(), args, strings.NewReader(""), &stdout, &stderr)
	return status, stdout.String(), stderr.String()
}

// means runs cells --json and returns the mean of each cell by its values, and what the
// output says it rests on.
func (r *room) means(args ...string) (map[string]float64, selection.Basis) {
	r.t.Helper()
	status, out, said := r.run(append([]string{"cells", "--json"}, args...)...)
	if status != 0 {
		r.t.Fatalf("%v ended with %d: %s", args, status, said)
	}
	got := map[string]float64{}
	var sel selection.Basis
	for line := range strings.Lines(out) {
		var x struct {
			Factors   map[string]string
			Avg       struct{ Mean float64 } `json:"avg_fps"`
			Selection *selection.Basis
		}
		if err := json.Unmarshal([]byte(line), &x); err != nil {
			r.t.Fatalf("%s: %v", line, err)
		}
		if x.Selection != nil {
			sel = *x.Selection
			continue
		}
		name := x.Factors["gpu"]
		if c := x.Factors["campaign"]; c != "" {
			name += " " + c
		}
		got[name] = float64(int(x.Avg.Mean*10+0.5)) / 10
	}
	return got, sel
}

func (r *room) want(got, want map[string]float64) {
	r.t.Helper()
	if !maps.Equal(got, want) {
		r.t.Errorf("cells are %v, want %v", got, want)
	}
}

const autumn = `
name = "autumn"
currency = "EUR"
[factors]
gpu = ["Slow 9", "Fast 2", "Middle 5"]
[[game]]
name = "Copper Drift"
[prices.gpu]
"Slow 9" = 200.0
"Fast 2" = 400.0
`

var today = time.Date(2026, 10, 5, 9, 0, 0, 0, time.UTC)

// lastYear fills a room with today's campaign, the cells of another of last year under the
// same names, passes without a campaign of both times, and one that fits no cell.
func lastYear(t *testing.T) *room {
	r := newRoom(t)
	r.write("capd.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\ncampaign = \"autumn.toml\"\n")
	r.write("alone.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\n")
	r.write("autumn.toml", autumn)
	r.write("spring.toml", strings.Replace(autumn, "autumn", "spring", 1))
	tags := func(gpu, campaign string) map[string]string {
		m := map[string]string{"gpu": gpu, "cpu": "Basalt 8", "game": "Copper Drift"}
		if campaign != "" {
			m["campaign"] = campaign
		}
		return m
	}
	past := today.AddDate(-1, -5, 0)
	r.keep(past, 50, "1.0", tags("Slow 9", "spring"))
	r.keep(past.Add(time.Hour), 80, "1.0", tags("Fast 2", "spring"))
	r.keep(past.Add(2*time.Hour), 70, "1.0", tags("Middle 5", "spring"))
	r.keep(past.AddDate(0, 0, 20), 20, "1.0", tags("Slow 9", ""))
	r.keep(today, 60, "2.0", tags("Slow 9", "autumn"))
	r.keep(today.Add(-24*time.Hour), 100, "2.0", tags("Fast 2", ""))
	r.keep(today.Add(time.Hour), 33, "2.0", tags("Unheard of", ""))
	return r
}

func TestACampaignTakesItsOwnPasses(t *testing.T) {
	r := lastYear(t)
	got, sel := r.means()
	r.want(got, map[string]float64{"Slow 9": 60, "Fast 2": 100})
	if sel.Campaign != "autumn" || sel.Count != 6 || sel.Untagged == nil || sel.Untagged.Passes != 3 {
		t.Errorf("the selection is %+v", sel)
	}
	var left []string
	for _, b := range sel.LeftOut {
		left = append(left, b.String())
	}
	if s := strings.Join(left, ", "); s != "9 of campaign spring (2025-05-05), 6 without a campaign (2025-05-25 to 2026-10-05)" {
		t.Errorf("left out: %s", s)
	}
	// What they count for is the same everywhere.
	_, out, _ := r.run("coverage", "--json")
	if n := strings.Count(out, `"done":3`); n != 2 || strings.Count(out, `"done":0`) != 1 {
		t.Errorf("coverage counts other passes than cells:\n%s", out)
	}
	for _, x := range []struct {
		args []string
		has  string
	}{
		{[]string{"compare", "--by", "gpu", "--base", "Slow 9"}, "Fast 2 +Slow 9 +"},
		{[]string{"limits"}, ""}, {[]string{"odd"}, ""}, {[]string{"predict"}, ""}, {[]string{"holds", "90"}, ""}, {[]string{"value"}, ""}, {[]string{"repeatability"}, ""},
		{[]string{"compare", "--by", "gpu", "--across"}, ""},
	} {
		status, out, said := r.run(x.args...)
		if !strings.Contains(said, "left out: 9 of campaign spring (2025-05-05)") || strings.Contains(out, "Middle 5") {
			t.Errorf("%v ended with %d and says\n%s%s", x.args, status, said, out)
		}
		_, out, _ = r.run(append(x.args, "--json")...)
		if !strings.Contains(out, `"left_out":[{"campaign":"spring","passes":9`) {
			t.Errorf("%v --json does not say what it left out:\n%s", x.args, out)
		}
	}
	dir := filepath.Join(r.dir, "out")
	if status, _, said := r.run("report", "--out", dir, "--pictures", "0"); status != 0 || !strings.Contains(said, "left out: 9 of campaign spring") {
		t.Fatalf("report ended with %d: %s", status, said)
	}
	for _, name := range []string{"index.html", "datapackage.json"} {
		page, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || !bytes.Contains(page, []byte("left out: 9 of campaign spring (2025-05-05)")) {
			t.Errorf("%s does not say what was left out (%v)", name, err)
		}
	}
	values, err := os.ReadFile(filepath.Join(dir, "data", "value.csv"))
	if err != nil || !bytes.Contains(values, []byte("400")) {
		t.Errorf("the campaign's prices are not in the report (%v): %s", err, values)
	}
}

func TestTheCampaignThatIsNamedCounts(t *testing.T) {
	r := lastYear(t)
	spring := filepath.Join(r.dir, "spring.toml")
	got, sel := r.means("--campaign", spring)
	r.want(got, map[string]float64{"Slow 9": 35, "Fast 2": 80, "Middle 5": 70}) // with what was recorded three weeks after it
	if sel.Campaign != "spring" || sel.Untagged == nil {
		t.Errorf("the selection is %+v", sel)
	}
	got, _ = r.means("--tag", "campaign=spring")
	r.want(got, map[string]float64{"Slow 9": 50, "Fast 2": 80, "Middle 5": 70})
	// An order of levels that no name gives, as the file has it.
	_, out, _ := r.run("cells", "--csv", "--campaign", spring)
	if a, b := strings.Index(out, "Slow 9"), strings.Index(out, "Fast 2"); a > b {
		t.Errorf("the levels do not stand as in the campaign's file:\n%s", out)
	}
}

func TestSeveralCampaignsAreKeptApart(t *testing.T) {
	r := lastYear(t)
	apart := map[string]float64{"Slow 9": 20, "Slow 9 spring": 50, "Slow 9 autumn": 60, "Fast 2": 100, "Fast 2 spring": 80, "Middle 5 spring": 70, "Unheard of": 33}
	got, sel := r.means("--any")
	r.want(got, apart)
	if !sel.Apart {
		t.Error("that cells are kept apart is not said")
	}
	alone := []string{"--config", filepath.Join(r.dir, "alone.toml")}
	_, out, said := r.run(append(alone, "cells", "--json")...)
	if !strings.Contains(out, `"apart":true`) || !strings.Contains(said, "separate cells: 9 of campaign spring") {
		t.Errorf("without a campaign:\n%s%s", said, out)
	}
	status, out, said := r.run("compare", "--by", "campaign", "--base", "spring", "--json")
	if status != 0 || !strings.Contains(out, `"by":"campaign","base":"spring","value":"autumn"`) {
		t.Errorf("compare --by campaign ended with %d:\n%s%s", status, said, out)
	}
}

func TestOlderPassesComeInAsReuseAllows(t *testing.T) {
	r := lastYear(t)
	status, _, said := r.run("cells", "--old", "campaign=spring")
	if status != 1 || !strings.Contains(said, "not comparable") || !strings.Contains(said, "graphics.0.driver (1.0; now 2.0)") {
		t.Errorf("another driver is let in: %d, %s", status, said)
	}
	if status, _, said = r.run("reuse", "--old", "campaign=spring"); status != 1 || !strings.Contains(said, "9 older passes and 6 new passes") {
		t.Errorf("reuse judges otherwise: %d, %s", status, said)
	}
	got, sel := r.means("--old", "campaign=spring", "--accept", "system graphics.0.driver")
	r.want(got, map[string]float64{"Slow 9": 60, "Fast 2": 100, "Middle 5": 70}) // 60 and 100 are not averaged
	if len(sel.Older) != 1 || sel.Older[0].String() != "3 of campaign spring (2025-05-05)" || len(sel.Accepted) != 1 {
		t.Errorf("the selection is %+v", sel)
	}
	_, out, _ := r.run("cells", "--json", "--old", "campaign=spring", "--accept", "system graphics.0.driver")
	if strings.Count(out, `"older":{"campaign":"spring","passes":3`) != 1 {
		t.Errorf("the cell does not say that it is an older one:\n%s", out)
	}
	if status, _, said = r.run("--config", filepath.Join(r.dir, "alone.toml"), "cells", "--old", "campaign=spring"); status != 2 {
		t.Errorf("--old without a campaign ended with %d: %s", status, said)
	}
}

func TestAnEditedOrRenamedCampaignKeepsItsPasses(t *testing.T) {
	r := lastYear(t)
	before, _, _ := strings.Cut(autumn, "[prices")
	r.write("autumn.toml", strings.Replace(before, `"Slow 9", `, "", 1))
	got, _ := r.means()
	r.want(got, map[string]float64{"Slow 9": 60, "Fast 2": 100})

	r.write("autumn.toml", strings.Replace(autumn, "autumn", "october", 1))
	_, sel := r.means()
	if sel.Untagged == nil || sel.Untagged.Passes != sel.Count {
		t.Errorf("the new name took passes of the old one: %+v", sel)
	}
	if _, _, said := r.run("cells"); !strings.Contains(said, "3 of campaign autumn") || !strings.Contains(said, `write was = ["autumn"] into its file`) {
		t.Errorf("that passes bear another name is not said: %s", said)
	}
	r.write("autumn.toml", strings.Replace(autumn, `name = "autumn"`, "name = \"october\"\nwas = [\"autumn\"]", 1))
	got, sel = r.means()
	r.want(got, map[string]float64{"Slow 9": 60, "Fast 2": 100})
	if _, out, _ := r.run("coverage", "--json"); strings.Count(out, `"done":3`) != 2 {
		t.Errorf("coverage forgot what the campaign was called:\n%s", out)
	}
}

// Without campaigns, passes that were not taken alike are said.
func TestUnlikePassesOfOneCellAreSaid(t *testing.T) {
	r := newRoom(t)
	r.write("capd.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\n")
	tags := map[string]string{"gpu": "Slow 9", "cpu": "Basalt 8", "game": "Copper Drift"}
	r.keep(today, 60, "2.0", tags)
	r.keep(today.Add(time.Hour), 60, "2.0", tags)
	if _, sel := r.means(); len(sel.Mixed) > 0 {
		t.Errorf("alike passes are called mixed: %+v", sel.Mixed)
	}
	r.keep(today.AddDate(0, 0, 29), 60, "2.0", tags)
	if _, sel := r.means(); len(sel.Mixed) > 0 {
		t.Errorf("passes of one month are called mixed: %+v", sel.Mixed)
	}
	r.keep(today.AddDate(0, -2, 0), 50, "1.0", tags)
	_, sel := r.means()
	text, _ := json.Marshal(sel.Mixed)
	if string(text) != `[{"what":"graphics.0.driver","cells":1,"values":["1.0","2.0"]},{"what":"time","cells":1,"values":["2026-08-05","2026-10-05"]}]` {
		t.Errorf("mixed: %s", text)
	}
	_, out, said := r.run("compare", "--by", "gpu")
	for _, want := range []string{"in 1 of 1 cell the mean mixes passes of more than one graphics.0.driver: 1.0, 2.0", "mixes passes months apart, from: 2026-08-05, 2026-10-05"} {
		if !strings.Contains(said, want) {
			t.Errorf("not said: %s\n%s%s", want, said, out)
		}
	}
	if _, out, _ = r.run("cells"); !strings.Contains(out, "passes months apart: from 2026-08-05 (3), from 2026-10-05 (9)") {
		t.Errorf("the row does not say it:\n%s", out)
	}
}
