package critical_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"capd.example/internal/critical"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// doubtful lists the identities of the passes that are found doubtful.
func doubtful(found map[string]record.Finding) []string {
	var out []string
	for id, f := range found {
		if f.Outcome == record.Doubtful {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return out
}

// Who is blamed: a pass that stands apart, all where nobody can tell, and nobody for a pass
// that has a cause of its own.
func TestWhoIsBlamed(t *testing.T) {
	own := func(list []critical.Pass, which ...int) []critical.Pass {
		for _, i := range which {
			list[i].Own = true
		}
		return list
	}
	bad := func(list []critical.Pass, which int) []critical.Pass {
		list[which].Bad = true
		return list
	}
	for _, c := range []struct {
		name   string
		passes []critical.Pass
		spread map[string]record.Spread
		want   string
	}{
		{"all agree", rates(100, 100.2, 99.9), repeats(0.002), "[]"},
		{"one of two", rates(100, 90), repeats(0.002), "[id01 id02]"},
		{"one of three, the others close", rates(100, 90, 100.1), repeats(0.002), "[id02]"},
		{"three in a row", rates(100, 97, 94), repeats(0.002), "[id01 id02 id03]"},
		{"one of three without history, far", rates(100, 61, 100.3), nil, "[id02]"},
		{"one of three without history, near", rates(100, 95, 100.3), nil, "[id01 id02 id03]"},
		{"a stray first pass", rates(61, 100, 100.3, 100.1), nil, "[id01]"},
		{"two of four alike", rates(100, 90, 100.1, 90.1), repeats(0.002), "[id01 id02 id03 id04]"},
		{"two strays of five", rates(100, 90, 100.1, 120, 100.2), repeats(0.002), "[id02 id04]"},
		{"stalled, by its own check", own(rates(80, 100, 100.1), 0), nil, "[id01]"},
		{"stalled, and one other", own(rates(80, 100), 0), nil, "[id01]"},
		{"doubtful otherwise, and alike", own(rates(100, 100.1, 100.2), 0), nil, "[]"},
		{"all doubtful otherwise", own(rates(100, 90), 0, 1), nil, "[id01 id02]"},
		{"bad", bad(rates(50, 100, 100.1), 0), nil, "[id01]"},
		{"bad, and one other", bad(rates(50, 100), 0), nil, "[id01]"},
		{"alone", rates(100), nil, "[]"},
		{"none", nil, nil, "[]"},
		{"the 1% low alone", set(metrics(100, 80), metrics(100.1, 40), metrics(100.2, 80.1), metrics(100.1, 80.2)), nil, "[id02]"},
	} {
		found := critical.Default.Verdicts(c.passes, c.spread, nil)
		if got := fmt.Sprint(doubtful(found)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		for id, f := range found {
			if f.Reason == "" || f.Outcome == record.Doubtful && !strings.Contains(f.Advice, "capctl overrule "+id+" bad --why") {
				t.Errorf("%s: %s says %q, advises %q", c.name, id, f.Reason, f.Advice)
			}
		}
	}
}

func TestWords(t *testing.T) {
	found := critical.Default.Verdicts(rates(100, 90, 100.1, 100.3), repeats(0.002), nil)
	for id, want := range map[string]string{
		"id01": "3 passes agree: averages within 0.3 % (here 1.1 % is the most that is normal) and 1% lows within 0.3 % (here 2.0 % is the most that is normal); pass 2 stands apart",
		"id02": "its average of 90.0 FPS stands apart: the cell's 3 other passes agree (100.0 to 100.3 FPS)",
	} {
		if got := found[id].Reason; got != want {
			t.Errorf("%s: %s\nwant %s", id, got, want)
		}
	}
	stalled := rates(80, 100, 100.1)
	stalled[0].Own = true
	found = critical.Default.Verdicts(stalled, nil, nil)
	for id, want := range map[string]string{
		"id01": "its average of 80.0 FPS is not like that of the cell's 2 other passes (100.0 to 100.1 FPS); fixed limit of 3.0 %: too few passes so far",
		"id02": "2 passes agree: averages within 0.1 % (fixed limit of 3.0 %: too few passes so far) and 1% lows within 0.1 % (fixed limit of 10.0 %: too few passes so far)",
	} {
		if got := found[id].Reason; got != want {
			t.Errorf("%s: %s\nwant %s", id, got, want)
		}
	}
	found = critical.Default.Verdicts(stalled[:2], nil, nil)
	if got := found["id02"].Reason; got != "no other pass of its cell is fit to be compared with: 1 pass bad or doubtful by other checks" {
		t.Error(got)
	}
}

// cells draws a cell of up to nine passes of which some are displaced, doubtful otherwise
// or bad.
func cells(t *rapid.T) ([]critical.Pass, map[string]record.Spread) {
	n := rapid.IntRange(0, 9).Draw(t, "passes")
	var out []critical.Pass
	for i := range n {
		v := 100 * math.Exp(0.003*rapid.Float64Range(-2, 2).Draw(t, "noise"))
		if rapid.IntRange(0, 3).Draw(t, "displaced") == 0 {
			v *= rapid.Float64Range(0.7, 1.2).Draw(t, "by")
		}
		p := critical.Pass{ID: fmt.Sprintf("id%02d", i), Name: fmt.Sprint("pass ", 1+i%4), At: time.Unix(int64(rapid.IntRange(0, 5).Draw(t, "at")), 0), Metrics: metrics(v, 0.8*v)}
		p.Own = rapid.IntRange(0, 5).Draw(t, "own") == 0
		p.Bad = rapid.IntRange(0, 8).Draw(t, "bad") == 0
		p.Session = rapid.SampledFrom([]string{"a", "a", "b", "c"}).Draw(t, "session")
		out = append(out, p)
	}
	var spread map[string]record.Spread
	if rapid.Bool().Draw(t, "history") {
		spread = repeats(0.003)
	}
	return out, spread
}

// The findings of a cell depend on the set of its passes alone.
func TestVerdictsAreOfTheSet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		passes, spread := cells(t)
		r := critical.Default
		r.Latest = rapid.IntRange(0, 7).Draw(t, "latest")
		want := r.Verdicts(passes, spread, spread)
		other := rapid.Permutation(passes).Draw(t, "order")
		if got := r.Verdicts(other, spread, spread); fmt.Sprint(got) != fmt.Sprint(want) {
			t.Fatalf("%v\nin another order\n%v", want, got)
		}
	})
}

// A pass with a cause of its own, or a bad one, changes no other pass's outcome, as long as
// there is one without.
func TestOwnCauseBlamesNobody(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		passes, spread := cells(t)
		fit := slices.DeleteFunc(slices.Clone(passes), func(p critical.Pass) bool { return p.Own || p.Bad })
		if len(fit) == 0 {
			return
		}
		with, without := critical.Default.Verdicts(passes, spread, spread), critical.Default.Verdicts(fit, spread, spread)
		for id, f := range without {
			if with[id].Outcome != f.Outcome {
				t.Fatalf("%s is %s alone and %s with the others: %s", id, f.Outcome, with[id].Outcome, with[id].Reason)
			}
		}
	})
}

// A cell of a thousand passes costs no more for each than one of a dozen: passes are
// compared with those around them.
func TestManyPasses(t *testing.T) {
	var fps []float64
	for i := range 1000 {
		fps = append(fps, 100+0.1*float64(i%3))
	}
	fps[500] = 80
	if got := doubtful(critical.Default.Verdicts(rates(fps...), repeats(0.002), nil)); fmt.Sprint(got) != "[id501]" {
		t.Errorf("%v", got)
	}
}

// simulate judges cells of n passes with the given noise, the first pass displaced by so
// many standard deviations, and returns the shares of those in which an innocent pass is
// named, in which the displaced one alone is, and in which all are doubtful.
func simulate(rounds, n int, noise, displaced float64, history bool) (innocent, found, all float64) {
	rng := rand.New(rand.NewPCG(uint64(n), math.Float64bits(noise+displaced)))
	for range rounds {
		var fps []float64
		for i := range n {
			z := noise * rng.NormFloat64()
			if i == 0 {
				z += noise * displaced
			}
			fps = append(fps, 100*math.Exp(z))
		}
		var spread map[string]record.Spread
		if history {
			square := 0.0
			for range 12 {
				square += math.Pow(rng.NormFloat64(), 2) / 12
			}
			spread = map[string]record.Spread{critical.Average: {SD: noise * math.Sqrt(square), DF: 12, From: "x"}}
		}
		f := critical.Default
		f.Average.Least, f.Average.Most = 0, 1000 // the rule without its conventions
		got := f.Compare(rates(fps...), spread)[0]
		switch {
		case got.Accepted:
		case len(got.Apart) == 0:
			all++
		case displaced > 0 && slices.Equal(got.Apart, []string{"id01"}):
			found++
		default:
			innocent++
		}
	}
	per := 100 / float64(rounds)
	return per * innocent, per * found, per * all
}

// What is stated in docs/validators.md: an innocent pass is named in at most 1 % of the
// cells, whatever the displacement; far ones are found.
func TestInnocentPassesAreSeldomNamed(t *testing.T) {
	rounds := 800
	if testlab.Long(t) {
		rounds = 20000
	}
	// Three standard errors of a share of 1 %.
	most := 1 + 300*math.Sqrt(0.01*0.99/float64(rounds))
	for _, history := range []bool{true, false} {
		noises := []float64{0.005}
		if !history {
			noises = []float64{0.003, 0.01, 0.02}
		}
		for n := 3; n <= 6; n++ {
			for _, noise := range noises {
				for _, d := range []float64{0, 2, 4, 6, 10, 30} {
					innocent, found, all := simulate(rounds, n, noise, d, history)
					if innocent > most {
						t.Errorf("history %v, %d passes, noise %g, displaced by %g: an innocent pass is named in %.2f %%", history, n, noise, d, innocent)
					}
					if history && d == 10 && found < 85 || d == 30 && noise < 0.02 && found < 70 {
						t.Errorf("history %v, %d passes, noise %g, displaced by %g: found in %.1f %% only", history, n, noise, d, found)
					}
					t.Logf("history %v, %d passes, noise %g, displaced by %g: innocent %.2f %%, found %.1f %%, all doubtful %.1f %%", history, n, noise, d, innocent, found, all)
				}
			}
		}
	}
}

// in puts passes into sessions: a letter for each.
func in(sessions string, list []critical.Pass) []critical.Pass {
	for i := range list {
		list[i].Session = sessions[i : i+1]
	}
	return list
}

// Passes of one session are held against each other; one that is alone in its session is
// against the middle of the others.
func TestWhoIsBlamedAcrossSessions(t *testing.T) {
	own := func(list []critical.Pass, which int) []critical.Pass {
		list[which].Own = true
		return list
	}
	for _, c := range []struct {
		name   string
		passes []critical.Pass
		across map[string]record.Spread
		want   string
	}{
		{"a shift between sessions", in("aaabbb", rates(100, 100.2, 99.9, 104, 104.1, 104.2)), nil, "[]"},
		{"a stray in one of them", in("aaabbb", rates(100, 100.2, 90, 104, 104.1, 104.2)), nil, "[id03]"},
		{"a control per session", in("abcd", rates(100, 101.5, 99, 100.5)), nil, "[]"},
		{"a control, known to shift", in("abcd", rates(100, 104, 97, 101)), repeats(0.02), "[]"},
		{"a control, known not to", in("abcd", rates(100, 104, 100.1, 100.2)), repeats(0.003), "[id02]"},
		{"one alone", in("aaab", rates(100, 100.1, 100.2, 102)), nil, "[]"},
		{"one alone and slow", in("aaab", rates(100, 100.1, 100.2, 90)), nil, "[id04]"},
		{"two alone", in("ab", rates(100, 90)), nil, "[id01 id02]"},
		{"a slow session is one voice", in("aaabcd", rates(80, 80.1, 80.2, 100, 100.5, 99.8)), nil, "[]"},
		{"another session tells which", in("aab", rates(100, 90, 100.3)), nil, "[id02]"},
		{"another session cannot tell which", in("aab", rates(100, 98, 99.5)), nil, "[id01 id02]"},
		{"another session is like none", in("aab", rates(100, 90, 70)), nil, "[id01 id02 id03]"},
		{"stalled, alone in its session", own(in("aab", rates(100, 100.1, 80)), 2), nil, "[id03]"},
		{"stalled before the others", own(in("abb", rates(80, 100, 100.1)), 0), nil, "[id01]"},
	} {
		found := critical.Default.Verdicts(c.passes, repeats(0.002), c.across)
		if got := fmt.Sprint(doubtful(found)); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
			for id, f := range found {
				t.Log(id, f.Outcome, f.Reason)
			}
		}
		for id, f := range found {
			if f.Reason == "" || f.Outcome == record.Doubtful && !strings.Contains(f.Advice, "capctl overrule "+id+" bad --why") {
				t.Errorf("%s: %s says %q, advises %q", c.name, id, f.Reason, f.Advice)
			}
		}
	}
}

// What is stated in docs/validators.md of control cells: sessions shift by 0.7 %, a pass has
// a noise of 0.5 %, one pass in each of six sessions.
func TestControlsAreSeldomDoubted(t *testing.T) {
	rounds := 400
	if testlab.Long(t) {
		rounds = 20000
	}
	for _, known := range []bool{true, false} {
		rng := rand.New(rand.NewPCG(7, 5))
		sd := math.Hypot(0.005, 0.007)
		doubted, found := 0, 0
		for range rounds {
			fps := make([]float64, 6)
			for i := range fps {
				fps[i] = 100 * math.Exp(sd*rng.NormFloat64())
			}
			var across map[string]record.Spread
			if known {
				square := 0.0
				for range 12 {
					square += math.Pow(rng.NormFloat64(), 2) / 12
				}
				across = map[string]record.Spread{critical.Average: {SD: sd * math.Sqrt(square), DF: 12}}
			}
			doubted += len(doubtful(critical.Default.Verdicts(in("abcdef", rates(fps...)), nil, across)))
			fps[2] *= 0.92
			for _, id := range doubtful(critical.Default.Verdicts(in("abcdef", rates(fps...)), nil, across)) {
				if id == "id03" {
					found++
				}
			}
		}
		wrong, hit := 100*float64(doubted)/float64(6*rounds), 100*float64(found)/float64(rounds)
		t.Logf("known %v: %.2f %% of good controls doubted, %.1f %% of those off by 8 %% found", known, wrong, hit)
		if wrong > 1 || hit < 90 {
			t.Errorf("known %v: %.2f %% of good controls doubted, %.1f %% of those off by 8 %% found", known, wrong, hit)
		}
	}
}

// An agent that was started after a pass detected its system later: the passes that follow
// are of the same session all the same.
func TestALateAgentDividesNoSession(t *testing.T) {
	at := time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC)
	list := make([]record.Pass, 3)
	for i := range list {
		list[i] = record.Pass{ID: fmt.Sprint(i), System: "s1", StartedAt: at.Add(time.Duration(i) * time.Minute)}
	}
	list[0].Claims = []record.Claim{{Name: record.TagGraphics, Value: "Slate 70", From: record.FromLater}}
	list[2].Tags = record.Tags{record.TagSession: {Value: "evening"}}
	got := critical.PassesOf(list)
	if got[0].Session != got[1].Session || got[1].Session == got[2].Session {
		t.Errorf("%q", []string{got[0].Session, got[1].Session, got[2].Session})
	}
}
