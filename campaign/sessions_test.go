package campaign_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/campaign"
	"capd.example/campaign/precision"
	"capd.example/record"
)

// Cells repeated in several sessions tell what a session shifts. More passes in the same
// session do not narrow that: the interval has a floor, and more sessions are asked for.
func TestPrecisionAcrossSessions(t *testing.T) {
	p := plan(t, parse(t, small))
	cell := func(cpu, gpu string) int {
		return find(t, p, "cpu", cpu, "gpu", gpu, "game", "Copper Drift", "preset", "low")
	}
	const shift, noise = 0.01, 0.003
	campaignOf := func(passes int, shift float64) *campaign.Coverage {
		r := rand.New(rand.NewPCG(3, 9))
		var all []record.Pass
		session := 0
		in := func(cell, passes int, base float64) {
			session++
			s := shift * r.NormFloat64()
			for range passes {
				for _, pass := range rated(p, cell, len(all), base*math.Exp(s+noise*r.NormFloat64())) {
					pass.Bench = "bench 1"
					pass.Tags[record.TagSession] = record.Tag{Value: fmt.Sprint("session ", session)}
					all = append(all, pass)
				}
			}
		}
		for range 20 {
			in(cell("B12", "A70"), 2, 120)
		}
		in(cell("B8", "A60"), passes, 100)
		in(cell("B12", "A60"), passes, 100.3)
		return p.Cover(all)
	}
	some := cell("B8", "A60")
	w := precision.DefaultWish
	w.By = []string{"cpu"}
	few, many := precision.Of(campaignOf(3, shift), w)[some], precision.Of(campaignOf(300, shift), w)[some]
	if few.SessionFrom != "1 cell measured in several of 20 sessions" || !(few.SessionSD > 0.006 && few.SessionSD < 0.015) {
		t.Fatalf("%+v", few)
	}
	// Half the width with passes without end: t sqrt(2) s_B.
	if floor := 1.9 * math.Sqrt2 * many.SessionSD; many.Decided || !(many.Width > floor) || many.Width < 0.75*few.Width {
		t.Errorf("300 passes in one session give %.4f, three %.4f; sessions alone %.4f", many.Width, few.Width, floor)
	}
	// 2 (1.96 + 0.84)^2 (s_B / d)^2 / m sessions leave a fifth of the variance to the passes.
	want := int(math.Ceil(2 * math.Pow(1.959964+0.841621, 2) * math.Pow(many.SessionSD/math.Log1p(0.01), 2) / 0.8))
	if many.Sessions != want || many.HaveSessions != 1 || many.More != want-1 {
		t.Errorf("%d sessions are needed, want %d: %+v", many.Sessions, want, many)
	}
	if !(few.ThenSession < few.Then) || !(few.Then < few.Width) {
		t.Errorf("one more pass gives %.4f, in another session %.4f, now %.4f", few.Then, few.ThenSession, few.Width)
	}
	// Passes of one session spread by their noise alone, however many sessions there are.
	if math.Abs(few.SD/noise-1) > 0.4 {
		t.Errorf("passes repeat to %.4f, want %.4f", few.SD, noise)
	}
	// Without a shift 300 passes show that the processors differ by less than 1 %.
	if n := precision.Of(campaignOf(300, 0), w)[some]; !n.Decided || n.More != 0 {
		t.Errorf("without a shift: %+v", n)
	}
	// What is stated counts where nothing was measured.
	alone := p.Cover(append(rated(p, some, 0, 100, 100.3, 99.8), rated(p, cell("B12", "A60"), 200, 100.2, 100, 99.9)...))
	if n := precision.Of(alone, w)[some]; n.SessionFrom != "" || n.Sessions != 0 || !math.IsNaN(n.ThenSession) {
		t.Errorf("nothing is known: %+v", n)
	}
	narrow := precision.Of(alone, w)[some].Width
	w.SessionSD = 0.01
	if n := precision.Of(alone, w)[some]; n.SessionFrom != "stated, not measured" || n.Sessions < 15 || n.Width < 2*narrow {
		t.Errorf("stated: %+v, without %.4f", n, narrow)
	}
	// Settings are compared within sessions: no number of them is asked for.
	w.By = []string{"preset"}
	if n := precision.Of(campaignOf(3, shift), w)[some]; n.Sessions != 0 {
		t.Errorf("within a session: %+v", n)
	}
}
