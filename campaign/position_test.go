package campaign_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"capd.example/campaign"
	"capd.example/record"
)

const small = `
name = "small"
[factors]
cpu = ["B8", "B12"]
gpu = ["A60", "A70"]
preset = ["low", "high"]
[change_minutes]
cpu = 40
gpu = 15
game = 2
preset = 1
[[game]]
name = "Copper Drift"
length_s = 60
lead_in_s = 60
[[game]]
name = "Salt Flats"
length_s = 60
lead_in_s = 60
presets = ["low"]
`

var start = time.Date(2026, 2, 3, 9, 0, 0, 0, time.UTC)

// made returns a pass of a cell, the n-th of the session, four minutes apart.
func made(p *campaign.Plan, cell, n int, v record.Verdict) record.Pass {
	tags := record.Tags{"campaign": {Value: p.Campaign.Name, From: record.FromPlan}}
	for name, value := range p.Cell(cell) {
		tags[name] = record.Tag{Value: value, From: record.FromPath}
	}
	at := start.Add(time.Duration(n) * 4 * time.Minute)
	return record.Pass{ID: fmt.Sprintf("pass-%d", n), Tags: tags, Verdict: v, StartedAt: at, EndedAt: at.Add(time.Minute)}
}

func begin(p *campaign.Plan, cell int) []campaign.Order {
	return []campaign.Order{{Verb: campaign.Begin, Cell: p.Cell(cell), At: start.Add(-time.Minute)}}
}

func TestPositionStaysOnABadPassAndGoesOnWhenComplete(t *testing.T) {
	p := plan(t, parse(t, small))
	var passes []record.Pass
	step := func(v record.Verdict, wantCell, wantDone int) {
		t.Helper()
		pos, _ := p.Replay(begin(p, 0), passes)
		passes = append(passes, made(p, pos.Cell, len(passes), v))
		pos, cover := p.Replay(begin(p, 0), passes)
		if pos.Cell != wantCell || cover.State(pos.Cell).Done != wantDone {
			t.Errorf("after %d passes at cell %d with %d done, want cell %d with %d", len(passes), pos.Cell, cover.State(pos.Cell).Done, wantCell, wantDone)
		}
	}
	step(record.Clean, 0, 1)
	step(record.VerdictBad, 0, 1)
	step(record.Clean, 0, 2)
	step(record.VerdictDoubtful, 0, 2)
	step(record.Clean, 1, 0)
	step(record.Clean, 1, 1)
}

func TestTheSamePassesInAnyOrderGiveTheSamePosition(t *testing.T) {
	p := plan(t, parse(t, small))
	rapid.Check(t, func(t *rapid.T) {
		var passes []record.Pass
		for n := range rapid.IntRange(0, 40).Draw(t, "passes") {
			v := rapid.SampledFrom([]record.Verdict{record.Clean, record.Clean, record.VerdictBad}).Draw(t, "verdict")
			passes = append(passes, made(p, rapid.IntRange(0, p.Len()-1).Draw(t, "cell"), n, v))
		}
		orders := begin(p, rapid.IntRange(0, p.Len()-1).Draw(t, "begin"))
		want, _ := p.Replay(orders, passes)
		mixed := append([]record.Pass{}, passes...)
		seed := rapid.Uint64().Draw(t, "seed")
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		got, _ := p.Replay(orders, append(mixed, mixed...)) // each log noticed twice
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("in another order and twice: %+v, want %+v", got, want)
		}
	})
}

// Next against its definition, by looking at every cell.
func TestNextFinishesBeforeASwap(t *testing.T) {
	p := plan(t, parse(t, small))
	weight := func(i, j int) float64 {
		a, b, w := p.Cell(i), p.Cell(j), 0.0
		for _, f := range p.Factors() {
			if a[f.Name] != b[f.Name] {
				w = max(w, f.ChangeMinutes)
			}
		}
		return w
	}
	rapid.Check(t, func(t *rapid.T) {
		var passes []record.Pass
		n := 0
		for i := range p.Len() {
			if rapid.Bool().Draw(t, "complete") {
				for range 3 {
					passes = append(passes, made(p, i, n, record.Clean))
					n++
				}
			}
		}
		cover := p.Cover(passes)
		at := rapid.IntRange(0, p.Len()-1).Draw(t, "at")
		got := cover.Next(campaign.Position{Cell: at})
		least, found := 0.0, false
		for i := range p.Len() {
			if i != at && !cover.State(i).Complete() && (!found || weight(at, i) < least) {
				least, found = weight(at, i), true
			}
		}
		switch {
		case !found && got != -1:
			t.Fatalf("cell %d although nothing is open", got)
		case found && (got < 0 || got == at || cover.State(got).Complete() || weight(at, got) != least):
			t.Fatalf("from cell %d to %d, which changes a factor of %g; %g is possible", at, got, weight(at, got), least)
		}
	})
}

// Following Next from any cell swaps every part once.
func TestFollowingNextNeverBringsAPartBack(t *testing.T) {
	p := plan(t, parse(t, small))
	for from := range p.Len() {
		var passes []record.Pass
		orders := begin(p, from)
		var seen []string
		for len(passes) <= 3*p.Len() {
			pos, _ := p.Replay(orders, passes)
			if pos.Cell < 0 {
				break
			}
			cell := p.Cell(pos.Cell)
			parts := cell["cpu"] + "|" + cell["gpu"]
			if len(seen) == 0 || seen[len(seen)-1] != parts {
				for _, old := range seen {
					if old == parts {
						t.Fatalf("begun at cell %d, %s comes back after %v", from, parts, seen)
					}
				}
				seen = append(seen, parts)
			}
			passes = append(passes, made(p, pos.Cell, len(passes), record.Clean))
		}
		if len(passes) != 3*p.Len() || len(seen) != 4 {
			t.Errorf("begun at cell %d: %d passes with %v", from, len(passes), seen)
		}
	}
}

func TestSkipBackAndNext(t *testing.T) {
	p := plan(t, parse(t, small))
	at := func(n int) time.Time { return start.Add(time.Duration(n)*4*time.Minute + 2*time.Minute) }
	passes := []record.Pass{made(p, 0, 0, record.Clean), made(p, 0, 1, record.Clean), made(p, 0, 2, record.Clean)}
	orders := begin(p, 0)
	expect := func(cell int, stay bool) {
		t.Helper()
		if pos, _ := p.Replay(orders, passes); pos.Cell != cell || pos.Stay != stay {
			t.Errorf("at cell %d, staying %v; want %d, %v", pos.Cell, pos.Stay, cell, stay)
		}
	}
	expect(1, false)
	orders = append(orders, campaign.Order{Verb: campaign.Skip, Cell: p.Cell(1), At: at(2)})
	expect(2, false)
	orders = append(orders, campaign.Order{Verb: campaign.Back, Cell: p.Cell(0), Stay: true, At: at(3)})
	expect(0, true)
	passes = append(passes, made(p, 0, 4, record.Clean)) // a fourth pass of a complete cell
	expect(0, true)
	orders = append(orders, campaign.Order{Verb: campaign.Next, Cell: p.Cell(2), At: at(5)})
	expect(2, false)
	orders = append(orders, campaign.Order{Verb: campaign.Begin, Cell: p.Cell(1), At: at(6)})
	expect(1, false)
	// The cell of a pass that started while another was current is told from that time.
	pos, _ := p.Replay(orders, passes)
	for _, x := range []struct{ n, cell int }{{0, 0}, {3, 2}, {4, 0}, {6, 2}, {7, 1}} {
		if got, ok := pos.When(start.Add(time.Duration(x.n)*4*time.Minute), start.Add(time.Duration(x.n)*4*time.Minute+time.Minute)); !ok || got != x.cell {
			t.Errorf("when pass %d started the position was %d, want %d", x.n, got, x.cell)
		}
	}
	if _, ok := pos.When(start.Add(-time.Hour), start.Add(-time.Hour+time.Minute)); ok {
		t.Error("a pass from before the beginning has a position")
	}
	if cell, ok := pos.When(start.Add(-2*time.Minute), start); !ok || cell != 0 {
		t.Error("a pass that was running when the plan was begun has no position")
	}
}

func TestClockSetBackLeavesTheLastOrderInForce(t *testing.T) {
	p := plan(t, parse(t, small))
	orders := begin(p, 0)
	orders = append(orders,
		campaign.Order{Verb: campaign.Skip, Cell: p.Cell(0), At: start.Add(time.Hour)},
		campaign.Order{Verb: campaign.Begin, Cell: p.Cell(3), At: start.Add(10 * time.Minute)}) // the clock went back
	passes := []record.Pass{made(p, 3, 4, record.Clean)} // 16 minutes after the start, by the new clock
	pos, cover := p.Replay(orders, passes)
	if pos.Cell != 3 || cover.State(3).Done != 1 {
		t.Errorf("at cell %d with %d done, want 3 with 1", pos.Cell, cover.State(3).Done)
	}
	if cell, _ := pos.When(passes[0].StartedAt, passes[0].EndedAt); cell != 3 {
		t.Errorf("the pass after the clock was set back was planned for cell %d, want 3", cell)
	}
}

func TestOrdersSurviveAnEditedCampaign(t *testing.T) {
	c := parse(t, small)
	p := plan(t, c)
	orders := begin(p, 5)
	name := p.Name(5)
	more, err := c.WhatIf("add gpu=A50, add preset=ultra")
	if err != nil {
		t.Fatal(err)
	}
	q := plan(t, more)
	if pos, _ := q.Replay(orders, nil); q.Name(pos.Cell) != name {
		t.Errorf("after the campaign grew the position is %s, was %s", q.Name(pos.Cell), name)
	}
	less, err := c.WhatIf("drop cpu=" + p.Cell(5)["cpu"])
	if err != nil {
		t.Fatal(err)
	}
	q = plan(t, less)
	if pos, _ := q.Replay(orders, nil); pos.Cell != -1 || len(pos.Lost) != 1 {
		t.Errorf("an order about a cell that is gone: %+v", pos)
	}
}

// TestNextPassIsTheNumberThatIsMissing: where logs say which pass they are, a bad one in
// the middle is repeated under its own number.
func TestNextPassIsTheNumberThatIsMissing(t *testing.T) {
	p := plan(t, parse(t, small))
	numbered := func(n int, number string, v record.Verdict) record.Pass {
		m := made(p, 0, n, v)
		m.Tags[record.TagPass] = record.Tag{Value: number, From: record.FromPath}
		return m
	}
	for name, c := range map[string]struct {
		passes []record.Pass
		next   int
		advice string
	}{
		"nothing yet":        {nil, 1, "next: pass 1"},
		"bad in the middle":  {[]record.Pass{numbered(0, "1", record.Clean), numbered(1, "2", record.VerdictBad), numbered(2, "3", record.Clean)}, 2, "next: pass 2"},
		"bad at the end":     {[]record.Pass{numbered(0, "1", record.Clean), numbered(1, "2", record.VerdictBad)}, 2, "repeat pass 2"},
		"first one missing":  {[]record.Pass{numbered(0, "2", record.Clean), numbered(1, "1", record.VerdictBad)}, 1, "repeat pass 1"},
		"two of one number":  {[]record.Pass{numbered(0, "1", record.Clean), numbered(1, "1", record.Clean)}, 3, "next: pass 3"},
		"without any number": {[]record.Pass{made(p, 0, 0, record.Clean), made(p, 0, 1, record.VerdictBad)}, 2, "repeat pass 2"},
	} {
		pos, cover := p.Replay(begin(p, 0), c.passes)
		if got := cover.NextPass(0); got != c.next {
			t.Errorf("%s: next pass %d, want %d", name, got, c.next)
		}
		if got := cover.Advice(0, pos); got != c.advice {
			t.Errorf("%s: %q, want %q", name, got, c.advice)
		}
	}
}

// A pass of another cell than the one where one is counts there, and the line says so and what
// corrects it; one whose path could not be read is told with that cause.
func TestTheLineSaysWhereAPassCounts(t *testing.T) {
	p := plan(t, parse(t, small))
	stray, lost := made(p, 1, 0, record.Clean), made(p, 0, 0, record.Clean)
	lost.Tags["cpu"] = record.Tag{Value: "HOST", From: record.FromDetected}
	lost.Remarks = []record.Remark{{Kind: record.RemarkPath, Text: `path "p3b.csv" fits none of the path templates`}}
	for _, x := range []struct {
		pass record.Pass
		want string
	}{
		{made(p, 0, 0, record.Clean), "cell 1 of 12 (" + p.Name(0) + "), pass 1 of 3 clean; next: pass 2"},
		{stray, "counts for cell 2 of 12 (" + p.Name(1) + "), pass 1 of 3 clean; you are at cell 1 of 12 (" + p.Name(0) +
			"); if it is of that cell: capctl tag pass-0 preset=" + p.Cell(0)["preset"]},
		{lost, `the pass belongs to no cell: path "p3b.csv" fits none of the path templates; rename the log as tags.paths of the configuration says, ` +
			`or name what is not told: capctl tag pass-0 game=...; as it is: cpu "HOST" is no level of the campaign: add it, or name it under [aliases.cpu]`},
	} {
		before, _ := p.Replay(begin(p, 0), nil)
		after, cover := p.Replay(begin(p, 0), []record.Pass{x.pass})
		if got := cover.Line(x.pass, before, after); got != x.want {
			t.Errorf("it says\n%s, want\n%s", got, x.want)
		}
	}
}

// Taking a skip back leads back to where one was, in any order and from a batch, as long as
// nothing was recorded or ordered meanwhile.
func TestASkipThatIsTakenBackLeadsBack(t *testing.T) {
	p := plan(t, parse(t, small))
	recorded := []record.Pass{made(p, 3, 1, record.Clean)} // four minutes after the start
	other := made(p, 3, 1, record.Clean)
	other.Bench = "bench-2"
	at := func(v campaign.Verb, cell, minute int) campaign.Order {
		return campaign.Order{Verb: v, Cell: p.Cell(cell), At: start.Add(time.Duration(minute) * time.Minute)}
	}
	stay := at(campaign.Back, 2, 0)
	stay.Stay = true
	for name, x := range map[string]struct {
		orders []campaign.Order
		passes []record.Pass
		cell   int
		stay   bool
	}{
		"one":              {[]campaign.Order{at(campaign.Skip, 2, 1), at(campaign.Keep, 2, 9)}, nil, 2, false},
		"one after other":  {[]campaign.Order{at(campaign.Skip, 2, 1), at(campaign.Skip, 1, 2), at(campaign.Keep, 1, 8), at(campaign.Keep, 2, 9)}, nil, 2, false},
		"a batch":          {[]campaign.Order{at(campaign.Skip, 1, 1), at(campaign.Skip, 2, 1), at(campaign.Skip, 0, 1), at(campaign.Keep, 0, 9), at(campaign.Keep, 1, 9), at(campaign.Keep, 2, 9)}, nil, 2, false},
		"staying":          {[]campaign.Order{stay, at(campaign.Skip, 2, 1), at(campaign.Keep, 2, 9)}, nil, 2, true},
		"another's":        {[]campaign.Order{at(campaign.Skip, 1, 1), at(campaign.Keep, 1, 9)}, nil, 2, false},
		"by another bench": {[]campaign.Order{at(campaign.Skip, 2, 1), at(campaign.Keep, 2, 9)}, []record.Pass{other}, 2, false},
		"recorded":         {[]campaign.Order{at(campaign.Skip, 2, 1), at(campaign.Keep, 2, 9)}, recorded, 0, false},
		"ordered":          {[]campaign.Order{at(campaign.Skip, 2, 1), at(campaign.Begin, 5, 2), at(campaign.Keep, 2, 9)}, nil, 5, false},
	} {
		bench := "bench-1"
		for i := range x.passes {
			if x.passes[i].Bench == "" {
				x.passes[i].Bench = bench
			}
		}
		pos, _ := p.ReplayOn(append(begin(p, 2), x.orders...), x.passes, campaign.Now{Bench: bench})
		if name == "recorded" { // wherever the skip led
			if pos.Cell == 2 || pos.Skipped[2] {
				t.Errorf("%s: at cell %d, %+v", name, pos.Cell, pos.Skipped)
			}
			continue
		}
		if pos.Cell != x.cell || pos.Stay != x.stay || len(pos.Skipped) > 0 {
			t.Errorf("%s: at cell %d, staying %v, skipped %v; want %d, %v", name, pos.Cell, pos.Stay, pos.Skipped, x.cell, x.stay)
		}
	}
}
