package bundled_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"capd.example/plugins"
	"capd.example/plugins/bundled"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

type cases struct{ bad, good []record.Evidence }

// scene returns 20 s of a scene at 120 FPS whose frames are changed by f, which gets the
// time in seconds and the frame time in ms.
func scene(seed uint64, f func(s, ms float64) float64) []float64 {
	at := 0.0
	return mapTo(plugintest.Steady(120, 20, seed), func(x float64) float64 {
		x = f(at, x)
		at += x / 1000
		return x
	})
}

func mapTo(x []float64, f func(float64) float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = f(v)
	}
	return out
}

func ramp(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return out
}

// examples are passes in which each validator must, and must not, find something.
func examples() map[string]cases {
	plain := func(seed uint64) []float64 { return plugintest.Steady(120, 20, seed) }
	quiet := plugintest.Series(record.SeriesBackground, "%", plugintest.Flat(2.5, 20)...)
	one, two := plugintest.Pass(plain(1), quiet), plugintest.Pass(plain(2), quiet)
	after := plugintest.After(one, two)
	pass := plugintest.Pass
	return map[string]cases{
		"completeness": {
			bad: []record.Evidence{
				pass(plugintest.Steady(120, 8, 3), plugintest.Expect(20)),
				pass(plugintest.Steady(120, 24, 3), plugintest.Expect(20)),
				pass(plugintest.Steady(120, 8, 3), after),
				pass(plain(3), plugintest.Remark(record.RemarkCutOff, 900, "cut")),
				pass(plain(3), plugintest.Expect(20), plugintest.Remark(record.RemarkGap, 900, "2.1 s are missing")),
				pass(plain(3), plugintest.Expect(20), plugintest.Remark(record.RemarkRestarted, 900, "heading")),
				pass(plain(3), plugintest.Expect(20), plugintest.Series(record.SeriesBackground, "%", plugintest.Flat(2, 40)...)),
				pass(plain(3), plugintest.Expect(20), plugintest.Series(record.SeriesSlept, "s", append(plugintest.Flat(0, 19), 31.5)...)),
			},
			good: []record.Evidence{pass(plain(3), plugintest.Expect(20)),
				pass(plain(3), plugintest.Expect(20), plugintest.Series(record.SeriesSlept, "s", plugintest.Flat(0, 20)...)),
				pass(plain(3), plugintest.Expect(20), plugintest.Series(record.SeriesSlept, "s", append(plugintest.Flat(math.NaN(), 19), 0.4)...)),
				pass(plain(3), after), pass(plugintest.Steady(120, 19.3, 3), plugintest.Expect(20))},
		},
		"thermal": {
			bad: []record.Evidence{
				pass(plain(3), plugintest.Series("gpu.0.throttle", "", append(plugintest.Flat(0, 15), plugintest.Flat(record.ThrottleThermal, 5)...)...)),
				pass(plain(3), plugintest.Series(record.SeriesCPUThrottle, "", ramp(40, 80, 20)...)),
				pass(plain(3), plugintest.Series("cpu.core.0.clock", "MHz", ramp(5000, 4200, 20)...),
					plugintest.Series(record.SeriesBusy, "%", plugintest.Flat(60, 20)...), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(96, 20)...)),
				pass(plain(3), plugintest.Series("gpu.0.clock", "MHz", ramp(2700, 2500, 20)...),
					plugintest.Series("gpu.0.busy", "%", plugintest.Flat(98, 20)...), plugintest.Series("gpu.0.temp", "degrees C", plugintest.Flat(88, 20)...)),
				pass(plain(3), plugintest.Series(record.SeriesCPUTemp, "degrees C", ramp(35, 70, 20)...),
					plugintest.After(pass(plain(1), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(61, 20)...)), pass(plain(2), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(63, 20)...)))),
			},
			good: []record.Evidence{
				pass(plain(3), plugintest.Series("gpu.0.throttle", "", plugintest.Flat(record.ThrottlePower, 20)...)), // normal at full load
				pass(plain(3), plugintest.Series(record.SeriesCPUThrottle, "", plugintest.Flat(12, 20)...)),
				// The clock follows a load that falls.
				pass(plain(3), plugintest.Series("cpu.core.0.clock", "MHz", ramp(5000, 4200, 20)...),
					plugintest.Series(record.SeriesBusy, "%", ramp(80, 40, 20)...), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(90, 20)...)),
				// Far from the limit.
				pass(plain(3), plugintest.Series("cpu.core.0.clock", "MHz", ramp(5000, 4700, 20)...),
					plugintest.Series(record.SeriesBusy, "%", plugintest.Flat(60, 20)...), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(60, 20)...)),
			},
		},
		"background": {
			bad: []record.Evidence{
				pass(plain(3), plugintest.Series(record.SeriesBackground, "%", plugintest.Flat(22, 20)...), plugintest.Process("indexer", 20)),
				pass(plain(3), plugintest.Series(record.SeriesBackground, "%", append(plugintest.Flat(2, 10), plugintest.Flat(201, 10)...)...)),
				pass(plain(3), plugintest.Series(record.SeriesBackground, "%", append(plugintest.Flat(2, 17), plugintest.Flat(95, 3)...)...)),
				pass(plain(3), quiet, plugintest.Series(record.SeriesMemStall, "%", plugintest.Flat(12, 20)...)),
				pass(plain(3), quiet, plugintest.Series(record.SeriesDiskWrite, "B/s", plugintest.Flat(2e8, 20)...)),
			},
			good: []record.Evidence{pass(plain(3), quiet), pass(plain(3), plugintest.Series(record.SeriesBackground, "%", append(plugintest.Flat(3, 19), 60)...))},
		},
		"agreement": {
			bad: []record.Evidence{
				pass(mapTo(plain(3), func(x float64) float64 { return 1.06 * x }), after),
				pass(mapTo(plain(3), func(x float64) float64 { return 1.01 * x }), after, func(e *record.Evidence) {
					e.Spread = map[string]record.Spread{"avg_fps": {SD: 0.0005, DF: 24, From: "12 cells"}}
				}),
				// So far apart is no ground for a comparison even where the bench always does that.
				pass(mapTo(plain(3), func(x float64) float64 { return 1.15 * x }), after, func(e *record.Evidence) {
					e.Spread = map[string]record.Spread{"avg_fps": {SD: 0.1, DF: 24, From: "12 cells"}}
				}),
			},
			good: []record.Evidence{pass(plain(3), after),
				// Cells that repeat to a hundredth of a per cent need not agree that well.
				pass(mapTo(plain(1), func(x float64) float64 { return 1.003 * x }), after, func(e *record.Evidence) {
					e.Spread = map[string]record.Spread{"avg_fps": {SD: 0.0001, DF: 24, From: "12 cells"}}
				}),
				pass(mapTo(plain(3), func(x float64) float64 { return 1.06 * x }), after, func(e *record.Evidence) {
					e.Spread = map[string]record.Spread{"avg_fps": {SD: 0.03, DF: 24, From: "12 cells"}, "low1_fps": {SD: 0.05, DF: 24, From: "12 cells"}}
				})},
		},
		"configuration": {
			bad: []record.Evidence{pass(plain(3), plugintest.Field(record.FieldGraphicsDriver, "2.1"), plugintest.After(pass(plain(1), plugintest.Field(record.FieldGraphicsDriver, "2.0"))))},
			good: []record.Evidence{
				pass(plain(3), plugintest.Field(record.FieldGraphicsDriver, "2.1"), plugintest.After(pass(plain(1), plugintest.Field(record.FieldGraphicsDriver, "2.1")))),
				// Not readable this time is no change.
				pass(plain(3), plugintest.Field(record.FieldOSBuild, "7"), plugintest.After(pass(plain(1), plugintest.Field(record.FieldOSBuild, "7"), plugintest.Field(record.FieldMemorySpeed, "6000")))),
			},
		},
		"framecap": {
			bad: []record.Evidence{
				pass(mapTo(plain(3), func(x float64) float64 { return math.Max(x, 1000./60+(x-8.3)*0.05) })),
				pass(mapTo(plain(3), func(x float64) float64 { return math.Ceil(x/(1000./144)) * (1000. / 144) })),
			},
			good: []record.Evidence{pass(plain(3)), pass(plugintest.Steady(60, 20, 3)), pass(plugintest.Steady(144, 20, 3)),
				pass(mapTo(plain(3), func(x float64) float64 { return math.Max(x, 1000./60) }), func(e *record.Evidence) { e.Expected.CapFPS = 60 })},
		},
		"hitches": {
			bad: []record.Evidence{
				pass(slices.Insert(plain(3), 1000, 2010)), pass(slices.Insert(plain(3), 1000, 500)),
				pass(scene(3, func(s, x float64) float64 {
					if s > 5 && s < 7 {
						return x / 10
					}
					return x
				})),
				pass(plain(3), after, func(e *record.Evidence) { e.Pass.Metrics.Hitches = 14 }),
			},
			good: []record.Evidence{pass(plain(3), after), pass(slices.Insert(plain(3), 1000, 60), after)},
		},
		"drift": {
			bad: []record.Evidence{
				pass(scene(3, func(s, x float64) float64 { return x * (1 + 0.08*s/20) }), after),
				pass(scene(3, func(s, x float64) float64 { return x * (1 + 0.2*s/20) }), plugintest.After(one)),
			},
			good: []record.Evidence{pass(plain(3), after), pass(scene(3, func(s, x float64) float64 { return x * (1 + 0.2*s/20) }),
				plugintest.After(pass(scene(1, func(s, x float64) float64 { return x * (1 + 0.2*s/20) })), pass(scene(2, func(s, x float64) float64 { return x * (1 + 0.2*s/20) }))))},
		},
		"duplicate": {
			bad: []record.Evidence{
				pass(plain(1), after, func(e *record.Evidence) { e.Pass.SHA256, e.Pass.ID = "ffff", "other" }),
				pass(mapTo(plain(1), func(x float64) float64 { return math.Round(x*100) / 100 }), after),
			},
			good: []record.Evidence{pass(plain(3), after)},
		},
		"clock": {
			bad: []record.Evidence{
				pass(mapTo(plain(3), func(x float64) float64 { return x / 1000 }), plugintest.Expect(20)),
				pass(mapTo(plain(3), func(x float64) float64 { return x * 1000 })),
				pass(plain(3), plugintest.Remark(record.RemarkTimeBase, 0, "the durations sum to 20 s, the stamps span 21 s")),
				pass(plain(3), func(e *record.Evidence) { e.Pass.LogAt = e.Pass.EndedAt.Add(-time.Minute) }),
				pass(plain(3), func(e *record.Evidence) { e.Pass.StartedAt = e.Pass.StartedAt.Add(-2 * time.Second) }),
			},
			good: []record.Evidence{pass(plain(3)), pass(plain(3), plugintest.Expect(20))},
		},
	}
}

func TestConformance(t *testing.T) {
	ex := examples()
	for _, v := range bundled.Validators() {
		name := v.Describe().Name
		c, ok := ex[name]
		if !ok {
			t.Errorf("no examples for %s", name)
		}
		t.Run(name, func(t *testing.T) { plugintest.Conformance(t, v, c.bad, c.good) })
	}
}

func validator(t *testing.T, name string) plugins.Validator {
	for _, v := range bundled.Validators() {
		if v.Describe().Name == name {
			return v
		}
	}
	t.Fatalf("no validator %q", name)
	return nil
}

// TestOutcomes pins which findings repeat a pass and which only ask for a look.
func TestOutcomes(t *testing.T) {
	ex := examples()
	for _, c := range []struct {
		name   string
		which  int
		want   record.Outcome
		phrase string
	}{
		{"completeness", 0, record.Bad, "8.0 s of the 20.0 s expected"},
		{"completeness", 1, record.Doubtful, "24.0 s, more than the 20.0 s"},
		{"completeness", 2, record.Bad, "in the cell's other passes"},
		{"completeness", 7, record.Bad, "the machine slept for 31.5 s during the pass (0.5 s allowed)"},
		{"background", 0, record.Doubtful, "22 % of one core (limit 10 %), most of all indexer (20 %)"},
		{"background", 1, record.Bad, "(50 % of the pass)"},
		{"hitches", 0, record.Bad, "stood still for 2.01 s"},
		{"framecap", 0, record.Bad, "capped at 60 FPS"},
		{"thermal", 0, record.Bad, "in 5 of 20 samples"},
		{"thermal", 2, record.Bad, "fell by"},
		{"agreement", 0, record.Doubtful, "fixed limit"},
		{"duplicate", 0, record.Bad, "are the same as in pass"},
		{"clock", 0, record.Bad, "0.001 times"},
	} {
		plugintest.Assert(t, plugintest.Check(t, validator(t, c.name), ex[c.name].bad[c.which], nil), c.want, c.phrase)
	}
}

// TestClockThatNeverMoves: where the only source repeats one number, as Windows' power
// manager does with the base clock, nothing is said of heat; a clock that moves is a look.
func TestClockThatNeverMoves(t *testing.T) {
	frames := plugintest.Steady(120, 20, 3)
	base := plugintest.Series("cpu.core.0.clock", "MHz", plugintest.Flat(3600, 20)...)
	other := plugintest.Series("cpu.core.1.clock", "MHz", plugintest.Flat(2400, 20)...)
	moving := plugintest.Flat(4700, 20)
	for i := range moving {
		moving[i] += float64(i % 3)
	}
	for _, c := range []struct {
		name    string
		series  []func(*record.Evidence)
		want    record.Outcome
		phrases []string
	}{
		{"constant", []func(*record.Evidence){base, other}, record.NotChecked, []string{"the processor's clock never changed"}},
		{"moving", []func(*record.Evidence){plugintest.Series("cpu.core.0.clock", "MHz", moving...), other}, record.OK, []string{"no sign of heat in the processor's clock"}},
		{"constant cores, the whole moves", []func(*record.Evidence){base, plugintest.Series("cpu.clock", "MHz", moving...)}, record.OK, []string{"no sign of heat in the processor's clock"}},
		{"cores end at the base clock and one rests, the whole falls", []func(*record.Evidence){base, plugintest.Series("cpu.core.1.clock", "MHz", moving...),
			plugintest.Series("cpu.clock", "MHz", ramp(5000, 4200, 20)...), plugintest.Series(record.SeriesBusy, "%", plugintest.Flat(60, 20)...)},
			record.Doubtful, []string{"the clock of the processor fell by"}},
		{"constant, with a count", []func(*record.Evidence){base, plugintest.Series(record.SeriesCPUThrottle, "", plugintest.Flat(12, 20)...)}, record.OK, []string{"no sign of heat in the processor's throttle count"}},
		{"constant, with a card", []func(*record.Evidence){base, plugintest.Series("gpu.0.throttle", "", plugintest.Flat(0, 20)...)}, record.OK,
			[]string{"no sign of heat in the graphics card's reasons", "not looked at: the processor's clock never changed"}},
		{"the whole falls near the limit", []func(*record.Evidence){base, plugintest.Series("cpu.clock", "MHz", ramp(5000, 4200, 20)...),
			plugintest.Series(record.SeriesBusy, "%", plugintest.Flat(60, 20)...), plugintest.Series(record.SeriesCPUTemp, "degrees C", plugintest.Flat(96, 20)...)}, record.Bad, []string{"fell by"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			plugintest.Assert(t, plugintest.Check(t, validator(t, "thermal"), plugintest.Pass(frames, c.series...), nil), c.want, c.phrases...)
		})
	}
}

// TestTheCardsOwnLimit: a card that says at which temperature it throttles is judged by that,
// above or below the setting.
func TestTheCardsOwnLimit(t *testing.T) {
	frames := plugintest.Flat(10, 2000)
	for _, c := range []struct {
		name, own string
		degrees   float64
		want      record.Outcome
	}{
		{"hot for the setting, cool for the card", "110", 90, record.OK},
		{"hot for the card", "110", 108, record.Bad},
		{"cool for the setting, hot for the card", "75", 74, record.Bad},
		{"no limit of its own", "", 90, record.Bad},
		{"a limit that is no number", "warm", 90, record.Bad},
	} {
		t.Run(c.name, func(t *testing.T) {
			pass := plugintest.Pass(frames, plugintest.Series("gpu.0.clock", "MHz", ramp(2500, 2100, 20)...),
				plugintest.Series("gpu.0.busy", "%", plugintest.Flat(98, 20)...), plugintest.Series("gpu.0.temp", "C", plugintest.Flat(c.degrees, 20)...))
			if c.own != "" {
				pass.System.Fields = append(pass.System.Fields, record.Field{Name: "graphics.0." + record.FieldThrottleTemp, Value: c.own, Unit: "C"})
			}
			plugintest.Assert(t, plugintest.Check(t, validator(t, "thermal"), pass, nil), c.want)
		})
	}
}
