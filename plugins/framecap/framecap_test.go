package framecap_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/plugins/framecap"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

func check(t testing.TB, x []float64, changes ...func(*record.Evidence)) record.Finding {
	t.Helper()
	return plugintest.Check(t, framecap.Validator{}, plugintest.Pass(x, changes...), nil)
}

func spoke(f record.Finding) bool { return f.Outcome == record.Bad || f.Outcome == record.Doubtful }

// rates are those of the issue that asked for caps without a list, and between them.
var rates = []float64{15, 20, 24, 30, 35, 40, 48, 55, 57, 58, 60, 65, 70, 75, 85, 90, 97, 100, 110, 116, 117, 120, 130, 144, 155, 165, 170, 190, 240, 300, 350, 360}

// held runs a frame loop at a limiter: it works for 40 to 80 % of the interval, and a
// share of its frames, of heavy-tailed work, is late.
func held(r *rand.Rand, l testlab.Limiter, fps, late, seconds float64) []float64 {
	interval := time.Duration(1e9 / fps)
	usual := time.Duration((0.4 + 0.4*r.Float64()) * float64(interval))
	w := testlab.NewWork(r.Uint64(), testlab.Work{Usual: usual, Spread: 0.04 + 0.06*r.Float64(), Alike: 0.8 * r.Float64(), Course: 0.05,
		Late: late, By: (interval - usual) * 18 / 10})
	c := &testlab.Simulated{Rand: r, Wake: time.Duration(20+60*r.Float64()) * time.Microsecond, Seen: 8 * time.Microsecond}
	return testlab.Loop{Limiter: l, Interval: interval, Tick: 500 * time.Microsecond}.Run(c, time.Duration(seconds*float64(time.Second)), w.Next)
}

// At least 95 % of the held passes are found with every kind of limiter, at rates on no list, with
// few late frames and many.
func TestEveryLimiterAtEveryRate(t *testing.T) {
	lengths := []float64{12}
	if testlab.Long(t) {
		lengths = []float64{10, 20, 30, 60}
	}
	r := rand.New(rand.NewPCG(61, 62))
	for _, l := range testlab.Limiters {
		found, all := 0, 0
		var missed []string
		for _, fps := range rates {
			for _, late := range []float64{0.02, 0.08} {
				for _, s := range lengths {
					x := held(r, l, fps, late, s)
					f := check(t, x)
					all++
					if spoke(f) {
						found++
						continue
					}
					missed = append(missed, fmt.Sprintf("%g FPS, %g late, %g s: %s %s %v", fps, late, s, f.Outcome, f.Reason, f.Numbers))
				}
			}
		}
		t.Logf("%s: %d of %d found", l, found, all)
		if float64(found) < 0.95*float64(all) {
			t.Errorf("%s: only %d of %d found; missed:\n%s", l, found, all, strings.Join(missed, "\n"))
		}
	}
}

// free invents a pass without a cap: scenes that vary, constant loads steady to half a per
// cent, patterns of two to four frames, a longer frame every so often, two levels of load, a
// card behind a queue whose frames the processor's clock stamps.
func free(r *rand.Rand, n int) (kind string, x []float64) {
	usual := time.Duration(1e9 / (30 + 300*r.Float64()))
	during := time.Duration((5 + 30*r.Float64()) * float64(time.Second))
	pick := func(x ...float64) float64 { return x[r.IntN(len(x))] }
	w := testlab.NewWork(r.Uint64(), testlab.Work{Usual: usual, Spread: pick(0.005, 0.007, 0.01, 0.02, 0.05, 0.1, 0.2), Alike: pick(0, 0.2, 0.5, 0.9),
		Course: pick(0, 0.001, 0.003, 0.01, 0.05), Late: pick(0, 0.002, 0.02, 0.08), By: usual})
	c := &testlab.Simulated{Rand: r}
	i, more := 0, 0.1+0.6*r.Float64()
	run := func(slower func(at time.Duration) float64) []float64 {
		return testlab.Loop{}.Run(c, during, func(at time.Duration) time.Duration {
			i++
			return time.Duration((1 + slower(at)) * float64(w.Next(at)))
		})
	}
	switch n % 7 {
	case 0:
		return "plain", run(func(time.Duration) float64 { return 0 })
	case 1:
		m := 2 + r.IntN(3)
		return "pattern", run(func(time.Duration) float64 { return more * float64(i%m) })
	case 2:
		every := 3 + r.IntN(60)
		return "every so often", run(func(time.Duration) float64 {
			if i%every == 0 {
				return more
			}
			return 0
		})
	case 3:
		return "two levels", run(func(at time.Duration) float64 { return more * float64(int(at.Seconds()*more)%2) })
	case 4:
		return "queue at a card", queued(r, w, usual, during)
	case 5:
		return "scene", testlab.Scene{Seed: r.Uint64(), Load: r.Uint64(), FPS: 30 + 300*r.Float64(), Seconds: during.Seconds(), Spread: pick(0.02, 0.06, 0.15)}.Frames()
	}
	return "steady", plugintest.Steady(30+300*r.Float64(), during.Seconds(), r.Uint64())
}

// queued runs a processor that is up to three frames ahead of a card; the processor's
// moments are logged, which are inexact.
func queued(r *rand.Rand, card *testlab.Work, usual, during time.Duration) (x []float64) {
	cpu := testlab.NewWork(r.Uint64(), testlab.Work{Usual: usual * 6 / 10, Spread: 0.1, Alike: 0.5, Course: 0.05, Late: 0.02, By: usual})
	inexact := []float64{5e3, 20e3, 50e3}[r.IntN(3)]
	var done [3]time.Duration
	var now, ready, last time.Duration
	for k := 0; now < during; k++ {
		now += cpu.Next(now)
		ready = max(ready, now) + card.Next(now)
		now = max(now, done[k%3])
		done[k%3] = ready
		stamp := now + time.Duration(r.ExpFloat64()*inexact)
		x = append(x, float64(stamp-last)/1e6)
		last = stamp
	}
	return x
}

// At most one in 500 passes without a cap is called capped.
func TestPassesWithoutACap(t *testing.T) {
	n := 280
	if testlab.Long(t) {
		n = 20000
	}
	r := rand.New(rand.NewPCG(63, 64))
	called := 0
	by := map[string]int{}
	for i := range n {
		kind, x := free(r, i)
		if f := check(t, x); spoke(f) {
			called++
			by[kind]++
			t.Logf("%s: %s %v", kind, f.Reason, f.Numbers)
		}
	}
	for _, folder := range []string{"real-passes", "gpu-matrix"} {
		logs, err := filepath.Glob(filepath.Join(testlab.Root(), "testdata", folder, "*pass[123].csv"))
		if err != nil || len(logs) < 30 {
			t.Fatal(folder, err, logs)
		}
		for _, log := range logs {
			reading, _, err := framelog.ReadFile(log, framelog.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if strings.Contains(log, "frame-cap") {
				continue
			}
			n++
			f := check(t, reading.Frames.MS, func(e *record.Evidence) { e.Frames, e.Pass.Layout = reading.Frames, reading.Layout })
			if f.Outcome != record.OK {
				called++
				t.Logf("%s: %s", filepath.Base(log), f.Reason)
			}
		}
	}
	t.Logf("%d of %d called capped: %v", called, n, by)
	if called > n/500 {
		t.Errorf("%d of %d passes without a cap are called capped: %v", called, n, by)
	}
}

// stamped writes a pass as differences of time stamps of the given step in ms.
func stamped(x []float64, step float64) []float64 {
	at, last := 0.0, 0.0
	var out []float64
	for _, v := range x {
		at += v
		now := math.Floor(at/step) * step
		out = append(out, math.Round((now-last)/step)*step)
		last = now
	}
	return out
}

// rounded writes a pass as durations of the given step in ms.
func rounded(x []float64, step float64) []float64 {
	var out []float64
	for _, v := range x {
		out = append(out, math.Round(v/step)*step)
	}
	return out
}

func decimals(n int, source string) func(*record.Evidence) {
	return func(e *record.Evidence) { e.Frames.Decimals, e.Pass.Layout.Source = n, source }
}

// Where the log is coarse, frames share a value without a cap: never is one called, and
// what cannot be told is not checked.
func TestCoarseLogs(t *testing.T) {
	r := rand.New(rand.NewPCG(65, 66))
	outcomes := map[record.Outcome]int{}
	n := 42
	if testlab.Long(t) {
		n = 4000
	}
	for i := range n {
		kind, x := free(r, i)
		for _, c := range []struct {
			name string
			x    []float64
			how  func(*record.Evidence)
		}{
			{"1 ms stamps", stamped(x, 1), decimals(0, "timestamp")},
			{"0.1 ms stamps", stamped(x, 0.1), decimals(1, "timestamp")},
			{"1 ms durations", rounded(x, 1), decimals(0, "duration")},
			{"0.1 ms durations", rounded(x, 0.1), decimals(1, "duration")},
			{"a clock of 1 ms behind six decimals", stamped(x, 1), decimals(6, "timestamp")},
		} {
			f := check(t, c.x, c.how)
			outcomes[f.Outcome]++
			if spoke(f) {
				t.Errorf("%s, %s: %s", kind, c.name, f.Reason)
			}
		}
	}
	t.Log(outcomes)
	if outcomes[record.OK] < n {
		t.Errorf("hardly a coarse log can be judged: %v", outcomes)
	}
	// A cap that keeps a schedule is seen all the same, in stamps; at 500 FPS in whole
	// milliseconds a constant load is not told from one.
	x := held(r, testlab.NextMoment, 60, 0, 30)
	plugintest.Assert(t, check(t, stamped(x, 1), decimals(0, "timestamp")), record.Bad, "capped at 60 FPS", "frames in a row")
	plugintest.Assert(t, check(t, rounded(held(r, testlab.SpinWait, 24, 0.02, 20), 0.1), decimals(1, "duration")), record.Bad, "capped at 24 FPS")
	steady := testlab.Loop{}.Run(&testlab.Simulated{Rand: r}, 20*time.Second, testlab.NewWork(1, testlab.Work{Usual: 2 * time.Millisecond, Spread: 0.01, Course: 0.01}).Next)
	plugintest.Assert(t, check(t, stamped(steady, 1), decimals(0, "timestamp")), record.NotChecked, "steps of 1 ms", "hide whether there is a frame cap")
	plugintest.Assert(t, check(t, steady), record.OK, "no frame cap")
}

// A menu at its own limit inside a pass is told with its time; a short one asks for a look.
func TestCapInPartOfAPass(t *testing.T) {
	r := rand.New(rand.NewPCG(67, 68))
	game := func(seconds float64) []float64 {
		return testlab.Scene{Seed: r.Uint64(), Load: 5, FPS: 140, Seconds: seconds, Hitches: -1}.Frames()
	}
	menu := func(seconds float64) []float64 { return held(r, testlab.AfterLast, 60, 0.01, seconds) }
	join := func(parts ...[]float64) (x []float64) {
		for _, p := range parts {
			x = append(x, p...)
		}
		return x
	}
	f := check(t, join(game(15), menu(10), game(20)))
	plugintest.Assert(t, f, record.Bad, "capped at", "% of the pass")
	if from, to := f.Numbers["part_from_s"], f.Numbers["part_to_s"]; math.Abs(from-15) > 1.6 || math.Abs(to-25) > 1.6 || math.Abs(f.Numbers["part_cap_fps"]-60) > 1 {
		t.Errorf("the menu from 15 to 25 s at 60 FPS: %v", f.Numbers)
	}
	if f.Numbers["cap_fps"] != 0 {
		t.Error("a pass that is capped in part counts as capped throughout")
	}
	plugintest.Assert(t, check(t, join(game(50), menu(4.5))), record.Doubtful, "capped at")
	plugintest.Assert(t, check(t, join(game(50), menu(2))), record.OK, "no frame cap")
	plugintest.Assert(t, check(t, game(40)), record.OK)
	// More than half of the pass, in frames too.
	plugintest.Assert(t, check(t, join(menu(40), game(8))), record.Bad, "capped at")
	// The menu's limit is no excuse for the pass because the game's is meant.
	plugintest.Assert(t, check(t, join(game(15), menu(10)), func(e *record.Evidence) { e.Expected.CapFPS = 144 }), record.Bad, "capped at")
	plugintest.Assert(t, check(t, join(game(15), menu(10)), func(e *record.Evidence) { e.Expected.CapFPS = 60 }), record.OK, "no frame cap")
}

// A cap that is meant counts as that, at whole fractions of it and where the limiter wakes
// late; another rate does not.
func TestMeantCap(t *testing.T) {
	r := rand.New(rand.NewPCG(69, 70))
	for _, l := range testlab.Limiters {
		for _, c := range []struct {
			fps, meant float64
			want       record.Outcome
		}{{60, 60, record.OK}, {97, 97, record.OK}, {72, 144, record.OK}, {48, 144, record.OK}, {60, 72, record.Bad}, {120, 60, record.Bad}} {
			f := check(t, held(r, l, c.fps, 0.03, 20), func(e *record.Evidence) { e.Expected.CapFPS = c.meant })
			if f.Outcome != c.want && !(l == testlab.TimerTick && c.meant == 144) { // whole ticks are too far from half a refresh
				t.Errorf("%s: held at %g, meant %g: %s, want %s: %s", l, c.fps, c.meant, f.Outcome, c.want, f.Reason)
			}
		}
	}
}

// A limit just below what the machine can do binds at times; a screen of variable refresh
// shows frames as they come below its rate, and holds them at it.
func TestCapThatBindsAtTimes(t *testing.T) {
	r := rand.New(rand.NewPCG(71, 72))
	pass := func(usual float64) []float64 {
		interval := time.Second / 138
		w := testlab.NewWork(r.Uint64(), testlab.Work{Usual: time.Duration(usual * float64(interval)), Spread: 0.08, Alike: 0.7, Course: 0.02})
		return testlab.Loop{Limiter: testlab.SpinWait, Interval: interval}.Run(&testlab.Simulated{Rand: r, Seen: 8 * time.Microsecond}, 30*time.Second, w.Next)
	}
	plugintest.Assert(t, check(t, pass(0.95)), record.Bad, "capped at 138 FPS", "take the same time")
	plugintest.Assert(t, check(t, pass(1.09)), record.Doubtful, "capped at 138 FPS")
	plugintest.Assert(t, check(t, pass(1.4)), record.OK, "no frame cap")
}

// A screen that shows frames for one or two refreshes by turns, and two frames of uneven
// length for each that is drawn, at a limit.
func TestUnevenFramesAtALimit(t *testing.T) {
	r := rand.New(rand.NewPCG(73, 74))
	interval := time.Second / 144
	w := testlab.NewWork(9, testlab.Work{Usual: interval, Spread: 0.1, Alike: 0.3})
	c := &testlab.Simulated{Rand: r, Seen: 8 * time.Microsecond}
	plugintest.Assert(t, check(t, testlab.Loop{Limiter: testlab.Screen, Interval: interval}.Run(c, 20*time.Second, w.Next)), record.Bad, "capped at")
	var pairs []float64
	for _, x := range held(r, testlab.CatchUp, 60, 0.03, 20) {
		first := 0.4*x + 0.3*r.NormFloat64()
		pairs = append(pairs, first, x-first)
	}
	plugintest.Assert(t, check(t, pairs), record.Bad, "capped at 120 FPS")
}

// Each setting decides: the same pass on both sides of it.
func TestSettingsDecide(t *testing.T) {
	r := rand.New(rand.NewPCG(75, 76))
	needle := held(r, testlab.SpinWait, 60, 0.08, 12)
	wide := held(r, testlab.CatchUp, 240, 0.08, 20)
	edge := held(r, testlab.AfterLast, 240, 0.02, 20)
	x := testlab.Scene{Seed: 3, Load: 5, FPS: 140, Seconds: 30, Hitches: -1}.Frames()
	part := append(x, held(r, testlab.SpinWait, 60, 0.01, 5)...)
	coarse := stamped(testlab.Loop{}.Run(&testlab.Simulated{Rand: r}, 20*time.Second, testlab.NewWork(1, testlab.Work{Usual: 2 * time.Millisecond, Spread: 0.01, Course: 0.01}).Next), 1)
	for _, c := range []struct {
		name, value string
		x           []float64
		before, now record.Outcome
	}{
		{"share_percent", "99", edge, record.Bad, record.OK},
		{"window_percent", "0.001", edge, record.Bad, record.OK},
		{"row_percent", "0.1", wide, record.Bad, record.OK},
		{"level_percent", "0", needle, record.Bad, record.Bad}, // inexactness excuses as much
		{"part_s", "8", part, record.Bad, record.OK},
		{"part_bad_percent", "50", part, record.Bad, record.Doubtful},
		{"least_frames", "1000", needle, record.Bad, record.NotChecked},
		{"coarse_percent", "60", coarse, record.NotChecked, record.Bad},
		{"uneven_percent", "0.01", coarse, record.NotChecked, record.OK},
		{"narrow_percent", "0.15", needle, record.Bad, record.Bad},
	} {
		e := plugintest.Pass(c.x)
		if c.name == "coarse_percent" || c.name == "uneven_percent" {
			e.Frames.Decimals, e.Pass.Layout.Source = 0, "timestamp"
		}
		before := plugintest.Check(t, framecap.Validator{}, e, nil)
		now := plugintest.Check(t, framecap.Validator{}, e, map[string]string{c.name: c.value})
		if before.Outcome != c.before || now.Outcome != c.now {
			t.Errorf("%s = %s: %s, then %s; want %s, then %s\n%s\n%s", c.name, c.value, before.Outcome, now.Outcome, c.before, c.now, before.Reason, now.Reason)
		}
	}
}

// No limit lies at an edge: a fifth less or a quarter more finds the same held passes, but for
// one in twenty, and calls no other one capped.
func TestLimitsLieAtNoEdge(t *testing.T) {
	step, frees, least := 29, 14, 0.85 // of so few, two may be those that are missed among all
	if testlab.Long(t) {
		step, frees, least = 1, 700, 0.95
	}
	r := rand.New(rand.NewPCG(77, 78))
	var caps, none [][]float64
	i := 0
	for _, l := range testlab.Limiters {
		for _, fps := range rates {
			for _, late := range []float64{0.02, 0.08} {
				if x := held(r, l, fps, late, 12); i%step == 0 {
					caps = append(caps, x)
				}
				i++
			}
		}
	}
	for i := range frees {
		_, x := free(r, i)
		none = append(none, x)
	}
	for _, name := range []string{"window_percent", "share_percent", "narrow_percent", "inexact_us", "clipped_percent", "shorter_percent",
		"level_percent", "row_percent", "part_s", "late_percent"} {
		for _, p := range (framecap.Validator{}).Describe().Parameters {
			if p.Name != name {
				continue
			}
			value, err := strconv.ParseFloat(p.Default, 64)
			if err != nil {
				t.Fatal(err)
			}
			for _, factor := range []float64{0.8, 1.25} {
				settings := map[string]string{name: strconv.FormatFloat(factor*value, 'g', -1, 64)}
				speak := func(list [][]float64) (n int) {
					for _, x := range list {
						if spoke(plugintest.Check(t, framecap.Validator{}, plugintest.Pass(x), settings)) {
							n++
						}
					}
					return n
				}
				found, called := speak(caps), speak(none)
				t.Logf("%s = %s: %d of %d held passes found, %d of %d others called capped", name, settings[name], found, len(caps), called, len(none))
				if float64(found) < least*float64(len(caps)) || called > len(none)/500 {
					t.Errorf("%s lies at an edge", name)
				}
			}
		}
	}
}
