package variance_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/variance"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/stats"
)

// bench simulates a campaign of 4 processors, 4 cards, 2 games and 2 resolutions in three
// passes with a noise of 0.5 %. Each pair of parts is built up once and measured in one
// session; where controls are wanted the bench is restarted afterwards and the cell of one
// game in the lesser resolution is measured again, three passes in a session of its own.
type sessionWorld struct {
	noise, shift float64
	controls     bool
}

func (w sessionWorld) campaign(r *rand.Rand) (all []record.Pass, truth map[string]float64) {
	truth = map[string]float64{}
	at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	n := 0
	measure := func(c map[string]string, rate, session float64, boot string) {
		for range 3 {
			p := passes(c, rate*math.Exp(session+w.noise*r.NormFloat64()))[0]
			n++
			p.ID, p.SHA256 = fmt.Sprint(n), fmt.Sprint("sha", n)
			p.StartedAt, p.EndedAt = at, at.Add(time.Minute)
			at = at.Add(2 * time.Minute)
			p.System = "with " + c["cpu"] + " and " + c["gpu"]
			p.Tags[record.TagBoot] = record.Tag{Value: boot, From: record.FromDetected}
			all = append(all, p)
		}
	}
	boots := 0
	for i, cpu := range []float64{110, 128, 150, 175} {
		for j, gpu := range []float64{120, 150, 185, 240} {
			boots++
			shift, boot := w.shift*r.NormFloat64(), fmt.Sprint("boot ", boots)
			for k, game := range []string{"Lanterns", "Copper Drift"} {
				for l, resolution := range []string{"1920x1080", "3840x2160"} {
					rate, _ := stats.SoftMin(cpu*(1+0.2*float64(k)), gpu/[]float64{1, 2.4}[l], 6)
					c := cell(fmt.Sprintf("P%d", i), fmt.Sprintf("G%d", j), game, resolution)
					truth[c["cpu"]+c["gpu"]+game+resolution] = rate
					measure(c, rate, shift, boot)
				}
			}
			if w.controls {
				boots++
				c := cell(fmt.Sprintf("P%d", i), fmt.Sprintf("G%d", j), "Lanterns", "1920x1080")
				at = at.Add(3 * time.Minute)
				measure(c, truth[c["cpu"]+c["gpu"]+c["game"]+c["resolution"]], w.shift*r.NormFloat64(), fmt.Sprint("boot ", boots))
			}
			at = at.Add(20 * time.Minute)
		}
	}
	return all, truth
}

// tally counts what intervals of one kind hold.
type tally struct{ held, all, wrong, called, sessions int }

func (t *tally) add(truth float64, low, high analysis.Number, covers variance.Covers) {
	t.all++
	if low <= analysis.Number(truth) && analysis.Number(truth) <= high {
		t.held++
	}
	if covers == variance.CoversSessions {
		t.sessions++
	}
}

func (t *tally) sign(truth float64, call compare.Call) {
	if call == compare.Faster || call == compare.Slower {
		t.called++
		if (truth > 0) != (call == compare.Faster) {
			t.wrong++
		}
	}
}

func (t tally) share() float64 { return float64(t.held) / float64(t.all) }

// run returns what the intervals of cells, margins and totals hold, and the number of
// campaigns with a call of the wrong sign.
func (w sessionWorld) run(t *testing.T, r *rand.Rand, n int) (cells, margins, totals tally, wrongTables, tables int) {
	t.Helper()
	for range n {
		all, truth := w.campaign(r)
		of := func(f map[string]string, by, value string) float64 {
			part := map[string]string{"cpu": f["cpu"], "gpu": f["gpu"]}
			part[by] = value
			return truth[part["cpu"]+part["gpu"]+f["game"]+f["resolution"]]
		}
		list := analysis.Cells(all, analysis.Options{})
		for _, c := range list {
			f := c.Figure(analysis.Average)
			cells.add(of(c.Factors, "", ""), f.CILow, f.CIHigh, f.Covers)
		}
		for _, by := range []string{"cpu", "gpu"} {
			m, err := compare.Margins(list, by, "", analysis.Average, analysis.Options{})
			if err != nil {
				t.Fatal(err)
			}
			before := margins.wrong + totals.wrong
			for _, x := range m {
				d := of(x.Factors, by, x.Value)/of(x.Factors, by, x.Base) - 1
				margins.add(d, x.CILow, x.CIHigh, x.Covers)
				margins.sign(d, x.Call)
			}
			for _, x := range compare.Totals(m, analysis.Options{}) {
				sum := 0.0
				for _, game := range []string{"Lanterns", "Copper Drift"} {
					f := map[string]string{"cpu": x.Factors["cpu"], "gpu": x.Factors["gpu"], "resolution": x.Factors["resolution"], "game": game}
					sum += math.Log(of(f, by, x.Value)/of(f, by, x.Base)) / 2
				}
				totals.add(math.Expm1(sum), x.CILow, x.CIHigh, x.Covers)
				totals.sign(math.Expm1(sum), x.Call)
			}
			tables++
			if margins.wrong+totals.wrong > before {
				wrongTables++
			}
		}
	}
	return cells, margins, totals, wrongTables, tables
}

// Once the cells of each build-up were measured again after a restart, the intervals hold
// the rate on an average session, whatever sessions shift; docs/analysis.md has the figures
// of more rounds.
func TestCoverageAcrossSessions(t *testing.T) {
	n := testlab.Rounds(t, 12, 250)
	r := testlab.Rand(81, 82)
	for _, shift := range []float64{0, 0.003, 0.007, 0.015} {
		cells, margins, totals, wrong, tables := sessionWorld{0.005, shift, true}.run(t, r, n)
		t.Logf("shift %.1f %%: cells %.1f %%, margins %.1f %%, totals %.1f %%; wrong sign in %d of %d tables, of %d calls %d", 100*shift,
			100*cells.share(), 100*margins.share(), 100*totals.share(), wrong, tables, margins.called+totals.called, margins.wrong+totals.wrong)
		for what, x := range map[string]tally{"cells": cells, "margins": margins, "totals": totals} {
			// Intervals of one campaign share one estimate, so that they hold or fail together: the
			// slack is that of a few effective cases each.
			slack := 0.05 / math.Sqrt(float64(n))
			if x.share() < 0.93-slack || x.share() > 0.97+slack+0.01 {
				t.Errorf("shift %.1f %%: the intervals of %s hold %.1f %%", 100*shift, what, 100*x.share())
			}
			if x.sessions != x.all {
				t.Errorf("%d of %d intervals of %s cover sessions", x.sessions, x.all, what)
			}
		}
		if float64(wrong) > 0.05*float64(tables)+3*math.Sqrt(0.05*0.95*float64(tables)) {
			t.Errorf("shift %.1f %%: %d of %d tables call a wrong sign", 100*shift, wrong, tables)
		}
	}
}

// Where no cell was measured in two sessions nothing is known of what they shift: every
// interval that needs it covers one session, and the head of the table says so; with a
// stated size both intervals are there.
func TestWithoutControlsTheHeadSaysWhatIsCovered(t *testing.T) {
	all, _ := sessionWorld{0.005, 0.007, false}.campaign(testlab.Rand(5, 6))
	for _, c := range []struct {
		stated float64
		covers variance.Covers
		says   string
	}{
		{0, variance.CoversSession, "95 % intervals cover repeated passes within one session;"},
		{0.007, variance.CoversSessions, "95 % intervals hold across sessions (rebuilds, restarts, days); what a session shifts: average FPS 0.7 % (sd, stated, not measured)"},
	} {
		o := analysis.Options{SessionSD: c.stated}
		cells := analysis.Cells(all, o)
		margins, err := compare.Margins(cells, "cpu", "P0", analysis.Average, o)
		if err != nil {
			t.Fatal(err)
		}
		totals := compare.Totals(margins, o)
		for what, said := range map[string]string{"cells": analysis.SessionsOf(cells, o), "margins": compare.SessionsOfMargins(margins, o), "totals": compare.SessionsOfTotals(totals, o)} {
			if !strings.HasPrefix(said, c.says) {
				t.Errorf("stated %g: %s: %q", c.stated, what, said)
			}
		}
		f, m := cells[0].Figure(analysis.Average), margins[0]
		wider := m.CILow < m.SessionLow && m.SessionHigh < m.CIHigh && f.CILow < f.SessionLow && f.SessionHigh < f.CIHigh
		if f.Covers != c.covers || m.Covers != c.covers || totals[0].Covers != c.covers || wider != (c.stated > 0) || m.BothKnown() != (c.stated > 0) {
			t.Errorf("stated %g: %+v %+v", c.stated, f, m)
		}
	}
}

// What a session shifts it shifts in all cells: a margin within one session does not get
// it, one between two sessions gets it twice, and so does a mean over games of the two
// sessions, however many games there are.
func TestASessionEntersOncePerPairOfSessions(t *testing.T) {
	const stated = 0.02
	o := analysis.Options{SessionSD: stated}
	all, _ := sessionWorld{0.0001, 0, false}.campaign(testlab.Rand(7, 8))
	cells := analysis.Cells(all, o)
	half := func(low, high analysis.Number) float64 { return math.Log(float64((1+high)/(1+low))) / 2 }
	between, err := compare.Margins(cells, "cpu", "P0", analysis.Average, o)
	if err != nil {
		t.Fatal(err)
	}
	want := 1.96 * stated * math.Sqrt2
	near(t, "between two sessions", half(between[0].CILow, between[0].CIHigh), want, 0.0005)
	total := compare.Totals(between, o)[0]
	if len(total.Games) != 2 {
		t.Fatalf("%+v", total)
	}
	near(t, "the mean over games", half(total.CILow, total.CIHigh), want, 0.0005)
	within, err := compare.Margins(cells, "resolution", "3840x2160", analysis.Average, o)
	if err != nil {
		t.Fatal(err)
	}
	if h := half(within[0].CILow, within[0].CIHigh); h > 0.001 || within[0].Covers != variance.CoversSessions || within[0].BothKnown() {
		t.Errorf("within one session: half-width %g, covers %s", h, within[0].Covers)
	}
}

// A cell whose passes lie one in each session has its spread from them: it covers sessions
// without anything else being known.
func TestOnePassInEachSession(t *testing.T) {
	r := testlab.Rand(9, 10)
	held, all, covers := 0, 0, 0
	for range testlab.Rounds(t, 60, 600) {
		var list []record.Pass
		for day := range 3 {
			shift := 0.01 * r.NormFloat64()
			for g := range 6 {
				p := passes(cell("P1", fmt.Sprint("G", g), "L", "1"), 100*math.Exp(shift+0.004*r.NormFloat64()))[0]
				p.ID += fmt.Sprint(day)
				p.StartedAt = time.Date(2026, 3, 2+day, 10, g, 0, 0, time.UTC)
				list = append(list, p)
			}
		}
		for _, c := range analysis.Cells(list, analysis.Options{}) {
			f := c.Figure(analysis.Average)
			all++
			if f.Covers == variance.CoversSessions {
				covers++
			}
			if f.CILow <= 100 && 100 <= f.CIHigh {
				held++
			}
			if c.Sessions != 3 || c.Agree.Outcome != record.NotChecked {
				t.Fatalf("%+v", c)
			}
		}
	}
	share := float64(held) / float64(all)
	t.Logf("%.1f %% of %d", 100*share, all)
	if covers != all || share < 0.85 {
		t.Errorf("%d of %d cover sessions; %.1f %% hold the truth", covers, all, 100*share)
	}
}

// What an older campaign on the same bench says of sessions counts, and nothing else of it:
// not where the bench is another, or nothing was measured twice under one set of conditions.
func TestOlderCampaignsTellHowMuchSessionsDiffer(t *testing.T) {
	r := testlab.Rand(15, 16)
	now, _ := sessionWorld{0.005, 0.007, false}.campaign(r)
	older, _ := sessionWorld{0.005, 0.007, true}.campaign(r)
	for _, c := range []struct {
		name   string
		change func(*record.Pass)
		covers variance.Covers
	}{
		{"same bench", func(*record.Pass) {}, variance.CoversSessions},
		{"another bench", func(p *record.Pass) { p.Bench = "bench 2" }, variance.CoversSession},
		{"never the same driver twice", func(p *record.Pass) { p.System += p.Tags.Value(record.TagBoot) }, variance.CoversSession},
	} {
		var elsewhere []record.Pass
		for _, p := range older {
			p.ID, p.SHA256 = "older "+p.ID, "older "+p.SHA256
			p.StartedAt, p.EndedAt = p.StartedAt.AddDate(-1, 0, 0), p.EndedAt.AddDate(-1, 0, 0)
			p.Metrics.AvgFPS *= 3 // an older version of the games
			c.change(&p)
			elsewhere = append(elsewhere, p)
		}
		cells := analysis.Cells(now, analysis.Options{Elsewhere: elsewhere})
		plain := analysis.Cells(now, analysis.Options{})
		if len(cells) != len(plain) {
			t.Fatalf("%s: %d cells, %d without", c.name, len(cells), len(plain))
		}
		for i := range cells {
			f, without := cells[i].Figure(analysis.Average), plain[i].Figure(analysis.Average)
			if f.Covers != c.covers || f.Mean != without.Mean || f.Spread.SD != without.Spread.SD || f.N != without.N {
				t.Errorf("%s: %s: covers %s, %+v, without %+v", c.name, cells[i].Name(), f.Covers, f.Spread, without.Spread)
			}
		}
	}
}
