package judging_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/config"
	"capd.example/internal/judging"
	"capd.example/internal/testlab"
	"capd.example/pipeline"
	"capd.example/plugins"
	"capd.example/plugins/agreement"
	"capd.example/record"
	"capd.example/store"
)

// stored is a store as the agent has it.
type stored struct {
	pipeline.Store
	judging.Cells
	s *store.Store
}

func (w stored) Beside(ctx context.Context, p record.Pass, cell []string) ([]record.Pass, string, error) {
	return w.Cells.Beside(ctx, p, cell)
}
func (w stored) Earlier(ctx context.Context, p record.Pass, cell map[string]string) ([]record.Earlier, error) {
	return w.Cells.Earlier(ctx, p, cell)
}
func (w stored) Settle(ctx context.Context, o record.Examined) error { return w.Cells.Settle(ctx, o) }
func (w stored) Evidence(ctx context.Context, id string) (record.Evidence, error) {
	return w.s.Evidence(ctx, id)
}
func (w stored) MarkTold(ctx context.Context, id string) error { return w.s.MarkNotified(ctx, id) }
func (w stored) LastSystem(context.Context, record.Pass) (record.System, bool, error) {
	return record.System{}, false, nil
}
func (w stored) Unfinished(ctx context.Context) (out []pipeline.Unfinished, err error) {
	list, err := w.s.Unfinished(ctx)
	for _, u := range list {
		out = append(out, pipeline.Unfinished{ID: u.Pass.ID, Checked: u.State == store.Checked, Was: u.Was})
	}
	return out, err
}

// people keep what they were told.
type people struct{ lines []string }

func (l *people) Judged(_ context.Context, p record.Pass) error {
	l.lines = append(l.lines, p.Log+" is "+string(p.Verdict))
	return nil
}
func (l *people) Moved(_ context.Context, p record.Pass, was record.Verdict) error {
	l.lines = append(l.lines, p.Log+" was "+string(was)+" and is "+string(p.Verdict))
	return nil
}
func (l *people) Unreadable(context.Context, pipeline.Log, pipeline.File, error) error { return nil }
func (l *people) Changed(context.Context, record.Pass, []record.Change) error          { return nil }

// gate is a host with two validators, that of agreement and one that doubts the passes with
// the tag stalled, says which game it saw and, where it looks back, what the pass before was.
// Before it answers it does what stands at the gate, once.
type gate struct {
	do        func()
	looksBack bool
}

func (g *gate) Check(ctx context.Context, e record.Evidence) []record.Finding {
	if do := g.do; do != nil {
		g.do = nil
		do()
	}
	own := record.Finding{Check: "own", Outcome: record.OK, Reason: "saw " + e.Pass.Tags.Value("game")}
	if e.Pass.Tags.Value("stalled") != "" {
		own.Outcome = record.Doubtful
	}
	// As validators do that hold a pass against those before it: what it finds depends on
	// which they are, and on what was found of them.
	if n := len(e.Earlier); g.looksBack && n > 0 {
		of := func(p record.Pass) float64 { return p.Metrics.AvgFPS }
		last := e.Earlier[n-1].Pass
		own.Reason += fmt.Sprintf(" after %d, the last at %.2f", n, of(last))
		if last.Verdict != record.VerdictBad && of(e.Pass) < 0.85*of(last) {
			own.Outcome = record.Bad
		}
	}
	return []record.Finding{plugins.Run(ctx, agreement.Validator{}, e, nil), own}
}

// desk is an agent over a store, without its logs.
type desk struct {
	s    *store.Store
	gate gate
	told people
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	s, err := store.Open(context.Background(), filepath.Join(t.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return &desk{s: s}
}

// agent is what a start of the agent has.
func (d *desk) agent() *pipeline.Pipeline {
	spread := judging.Spread(d.s, record.CellFactors)
	return &pipeline.Pipeline{Checks: &d.gate, Tell: &d.told, Store: stored{Cells: judging.Cells{Store: d.s, Who: "capd", Tell: true}, s: d.s},
		Know: pipeline.Knowledge{Bench: "bench 1", Factors: record.CellFactors, Spread: spread, Settle: judging.Settle(config.Checks{}, spread, judging.Across(d.s, record.CellFactors, 0), judging.Neighbours(d.s))}}
}

// overrule sets a verdict by hand as 'capctl overrule' does.
func (d *desk) overrule(t *testing.T, id string) {
	t.Helper()
	ctx := context.Background()
	p := d.pass(t, id)
	for _, err := range []error{d.s.Overrule(ctx, id, record.VerdictBad, "by hand", "mo"), d.s.LookAgain(ctx, p, record.CellFactors, judging.EarlierPasses)} {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// come stores a pass that is then to be judged.
func (d *desk) come(t *testing.T, game string, number int, rate float64, stalled bool) string {
	t.Helper()
	return d.comeAt(t, game, number, number, rate, stalled)
}

// comeAt stores one that started in the given minute.
func (d *desk) comeAt(t *testing.T, game string, number, minute int, rate float64, stalled bool) string {
	t.Helper()
	a := arrival(game, number, rate)
	a.Pass.StartedAt = a.Pass.StartedAt.Add(time.Duration(minute-number) * time.Minute)
	a.Pass.Log = fmt.Sprint(number)
	a.Pass.Tags["game"] = record.Tag{Value: game, From: record.FromPath}
	a.Pass.Tags["pass"] = record.Tag{Value: fmt.Sprint(number), From: record.FromPath}
	if stalled {
		a.Pass.Tags["stalled"] = record.Tag{Value: "yes", From: record.FromPath}
	}
	saved, err := d.s.Save(context.Background(), a)
	if err != nil {
		t.Fatal(err)
	}
	return saved.ID
}

func (d *desk) resume(t *testing.T) {
	t.Helper()
	if _, err := d.agent().Resume(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
}

func (d *desk) pass(t *testing.T, id string) record.Pass {
	t.Helper()
	p, err := d.s.Pass(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (d *desk) retag(t *testing.T, id string, tags map[string]string) {
	t.Helper()
	if _, err := d.s.Retag(context.Background(), []string{id}, tags, "mo", ""); err != nil {
		t.Fatal(err)
	}
}

func saw(p record.Pass) string {
	for _, f := range p.Findings {
		if f.Check == "own" {
			return f.Reason
		}
	}
	return ""
}

// A tag that is given while the pass is judged counts, also where the agent is killed in
// between; so does a verdict by hand on a pass beside it.
func TestWhatIsSaidWhileAPassIsJudgedCounts(t *testing.T) {
	t.Run("a tag", func(t *testing.T) {
		d := newDesk(t)
		id := d.come(t, "a", 1, 100, false)
		d.gate.do = func() { d.retag(t, id, map[string]string{"game": "b"}) }
		d.resume(t)
		if got := saw(d.pass(t, id)); got != "saw b" {
			t.Errorf("%q", got)
		}
		if fmt.Sprint(d.told.lines) != "[1 is clean]" {
			t.Errorf("told %v", d.told.lines)
		}
	})
	t.Run("a tag, and the agent is killed", func(t *testing.T) {
		d := newDesk(t)
		id := d.come(t, "a", 1, 100, false)
		ctx, kill := context.WithCancel(context.Background())
		d.gate.do = func() { d.retag(t, id, map[string]string{"game": "b"}); kill() }
		if _, err := d.agent().Resume(ctx, nil); err == nil {
			t.Fatal("it was not killed")
		}
		if p := d.pass(t, id); p.Verdict != "" {
			t.Fatalf("judged in spite of that: %s", p.Verdict)
		}
		d.resume(t)
		if got := saw(d.pass(t, id)); got != "saw b" {
			t.Errorf("%q", got)
		}
	})
	t.Run("a verdict by hand beside it", func(t *testing.T) {
		d := newDesk(t)
		first := d.come(t, "a", 1, 60, false)
		d.resume(t)
		second := d.come(t, "a", 2, 100, false)
		d.gate.do = func() {
			if err := d.s.Overrule(context.Background(), first, record.VerdictBad, "the wrong scene", "mo"); err != nil {
				t.Error(err)
			}
		}
		d.resume(t)
		if p := d.pass(t, second); p.Verdict != record.Clean {
			t.Errorf("%s: %+v", p.Verdict, p.Findings)
		}
	})
}

// A change of a neighbour's verdict is told once, as a change; a crash before it was told
// does not lose it.
func TestNeighboursAreTold(t *testing.T) {
	d := newDesk(t)
	d.come(t, "a", 1, 100, false)
	d.resume(t)
	d.come(t, "a", 2, 60, false)
	d.resume(t)
	d.come(t, "a", 3, 100.2, false)
	ctx, kill := context.WithCancel(context.Background())
	ag := d.agent()
	ag.Tell = killer{&d.told, kill}
	ag.Resume(ctx, nil) // killed after the third was told
	d.resume(t)
	d.resume(t)
	want := []string{"1 is clean", "2 is doubtful", "1 was clean and is doubtful", "3 is clean", "1 was doubtful and is clean"}
	got := slices.Clone(d.told.lines)
	if i := slices.Index(got, "3 is clean"); i >= 0 && slices.Index(got[i+1:], "3 is clean") >= 0 {
		got = slices.Delete(got, i, i+1) // an alert may repeat after a crash
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Errorf("told %q, want %q", got, want)
	}
}

type killer struct {
	*people
	kill func()
}

func (k killer) Judged(ctx context.Context, p record.Pass) error {
	defer k.kill()
	return k.people.Judged(ctx, p)
}

// TestVerdictsDoNotDependOnTheOrder judges the same passes, with the same corrections, in
// two orders with restarts in between: the verdicts are the same, and so is what a validator
// found that looks back at the passes before.
func TestVerdictsDoNotDependOnTheOrder(t *testing.T) {
	rounds := 8
	if testlab.Long(t) {
		rounds = 300
	}
	seen := map[record.Verdict]int{}
	for round := range rounds {
		rng := rand.New(rand.NewPCG(uint64(round), 3))
		n := 3 + rng.IntN(5)
		rate, stalled := make([]float64, n), make([]bool, n)
		for i := range rate {
			rate[i] = 100 * math.Exp(0.004*rng.NormFloat64())
			if rng.IntN(4) == 0 {
				rate[i] *= 0.7 + 0.5*rng.Float64()
			}
			stalled[i] = rng.IntN(6) == 0
		}
		boots := 1 + round%4 // starts of the machine
		overruled, moved := rng.IntN(2*n), rng.IntN(2*n)
		tied := rng.IntN(3) == 0 // two passes started at once
		verdicts := func(order []int) (out []string) {
			d := newDesk(t)
			d.gate.looksBack = true
			ids := make([]string, n)
			for _, i := range order {
				number := i + 1
				if tied && i == 1 {
					number = 1
				}
				game := "a"
				if i == moved {
					game = "elsewhere" // until it is corrected
				}
				ids[i] = d.comeAt(t, game, i+1, number, rate[i], stalled[i])
				d.retag(t, ids[i], map[string]string{record.TagBoot: fmt.Sprint("start ", i*boots/n)})
				switch rng.IntN(3) {
				case 0: // the agent is killed while it judges
					ctx, kill := context.WithCancel(context.Background())
					d.gate.do = kill
					d.agent().Resume(ctx, nil)
				case 1: // several logs have come
					continue
				}
				d.resume(t)
				if i == overruled {
					d.overrule(t, ids[i])
				}
				if i == moved {
					d.retag(t, ids[i], map[string]string{"game": "a"})
				}
			}
			d.resume(t)
			for _, i := range rng.Perm(2) {
				if i == 0 && overruled < n {
					d.overrule(t, ids[overruled])
				}
				if i == 1 && moved < n {
					d.retag(t, ids[moved], map[string]string{"game": "a"})
				}
			}
			d.resume(t)
			for _, id := range ids {
				p := d.pass(t, id)
				out = append(out, fmt.Sprint(p.Verdict, ", ", saw(p)))
				seen[p.Verdict]++
			}
			return out
		}
		one := verdicts(rng.Perm(n))
		two := verdicts(rng.Perm(n))
		if !slices.Equal(one, two) {
			t.Errorf("round %d: rates %.1f, stalled %v, overruled %d, moved %d:\n%q in one order,\n%q in another", round, rate, stalled, overruled+1, moved+1, one, two)
		}
	}
	if seen[record.Clean] == 0 || seen[record.VerdictDoubtful] == 0 || seen[record.VerdictBad] == 0 {
		t.Errorf("the rounds are too alike: %v", seen)
	}
}

// Passes of another system or campaign in the same cell are not held against each other,
// and it is said.
func TestOtherSystemsAreNotCompared(t *testing.T) {
	d := newDesk(t)
	a := d.come(t, "a", 1, 100, false)
	d.resume(t)
	b := d.come(t, "a", 2, 60, false)
	d.retag(t, b, map[string]string{record.TagCampaign: "autumn"})
	d.resume(t)
	for _, id := range []string{a, b} {
		if p := d.pass(t, id); p.Verdict != record.Clean {
			t.Errorf("%s: %+v", p.Verdict, p.Findings)
		}
	}
	f := d.pass(t, b).Findings[0]
	if f.Outcome != record.NotChecked || f.Reason != "nothing to compare with: 1 pass of its cell with another set-up of the bench or for another campaign" {
		t.Errorf("%+v", f)
	}
}

// Passes without a game may be of any: they are not held against each other, it is said what
// to do, and a game that is given later has them compared.
func TestPassesWithoutAGameAreNoRepeats(t *testing.T) {
	d := newDesk(t)
	d.gate.looksBack = true
	var ids []string
	for i, rate := range []float64{100, 60, 250, 40} {
		ids = append(ids, d.come(t, "", i+1, rate, false))
		d.resume(t)
	}
	for _, id := range ids {
		p := d.pass(t, id)
		f := p.Findings[0]
		if p.Verdict != record.Clean || saw(p) != "saw " || f.Outcome != record.NotChecked || f.Reason != record.NoCell ||
			!strings.Contains(f.Advice, "capctl tag "+id+" game=") {
			t.Errorf("%s: %+v", p.Verdict, p.Findings)
		}
		if list, _, err := d.s.Beside(context.Background(), p, record.CellFactors); err != nil || len(list) > 0 {
			t.Errorf("%d passes are loaded beside it, %v", len(list), err)
		}
	}
	earlier, err := d.s.Earlier(context.Background(), "bench 1", map[string]string{"game": ""}, ids[3], 12)
	if err != nil || len(earlier) != 3 {
		t.Fatalf("the store has %d earlier passes, %v", len(earlier), err) // or nothing was tried
	}
	d.retag(t, ids[0], map[string]string{"game": "a"})
	d.retag(t, ids[1], map[string]string{"game": "a"})
	d.resume(t)
	for i, want := range []record.Verdict{record.Clean, record.VerdictBad, record.Clean, record.Clean} {
		if p := d.pass(t, ids[i]); p.Verdict != want {
			t.Errorf("pass %d is %s: %+v", i+1, p.Verdict, p.Findings)
		}
	}
}

// A thousand passes in a cell: each new one is compared with those around it, and its
// validators are asked once.
func TestACellOfManyPassesStaysCheap(t *testing.T) {
	d := newDesk(t)
	n := 120
	if testlab.Long(t) {
		n = 1000
	}
	for i := range n {
		d.come(t, "a", i+1, 100+0.1*float64(i%3), false)
	}
	asked := 0
	count := counter{&d.gate, &asked}
	ag := d.agent()
	ag.Checks = count
	began := time.Now()
	if _, err := ag.Resume(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	t.Logf("%d passes: %s for each", n, time.Since(began)/time.Duration(n))
	if asked != n {
		t.Errorf("validators were asked %d times for %d passes", asked, n)
	}
	if len(d.told.lines) != n {
		t.Errorf("%d lines were told", len(d.told.lines))
	}
}

type counter struct {
	*gate
	n *int
}

func (c counter) Check(ctx context.Context, e record.Evidence) []record.Finding {
	*c.n++
	return c.gate.Check(ctx, e)
}
