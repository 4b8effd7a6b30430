package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

// bench is an invented bench on which one cell is measured.
type bench struct {
	rng     *rand.Rand
	seconds int
	scene   testlab.Scene
	start   float64 // degrees C of the processor
}

// simulated invents cells of three clean passes and, after every tenth, one pass of each
// disturbance. Passes of a cell differ by a repeatability of 0.3 %; benches at rest take
// 1 to 5 % of one core; temperatures settle.
func simulated(cells int) []labelled {
	var out []labelled
	for i := range cells {
		rng := rand.New(rand.NewPCG(uint64(i), 7))
		b := &bench{rng: rng, seconds: 30 + rng.IntN(60), start: 50 + 15*rng.Float64()}
		b.scene = testlab.Scene{FPS: 45 + 200*rng.Float64(), Seconds: float64(b.seconds), Load: uint64(i)}
		var earlier []record.Earlier
		for n := range 3 {
			e := b.pass(nil, nil)
			e.Earlier = slices.Clone(earlier)
			out = append(out, labelled{name: fmt.Sprintf("cell %d pass %d", i, n+1), condition: "clean", evidence: e})
			earlier = append(earlier, plugintest.Earlier(e, record.Clean))
		}
		if i%10 == 0 {
			out = append(out, b.disturbed(i, earlier)...)
		}
	}
	return out
}

// pass invents one pass; the changes make a disturbance.
func (b *bench) pass(scene func(*testlab.Scene), samples func(map[string][]float64)) record.Evidence {
	s := b.scene
	s.Seed = b.rng.Uint64()
	s.FPS *= math.Exp(0.003 * b.rng.NormFloat64())
	if scene != nil {
		scene(&s)
	}
	ms := s.Frames()
	m, err := metrics.Compute(record.Frames{MS: ms, Decimals: 3})
	if err != nil {
		panic(err) // the scene is invented here and never broken
	}
	series := b.samples(int(m.DurationS))
	if samples != nil {
		samples(series)
	}
	e := plugintest.Pass(ms, plugintest.Expect(float64(b.seconds)), func(e *record.Evidence) { e.Pass.Metrics = m })
	written(&e, "1.4", "lumen 60")
	for name, x := range series {
		unit := ""
		if name == record.SeriesCPUTemp || name == "gpu.0.temp" {
			unit = "degrees C"
		}
		plugintest.Series(name, unit, x...)(&e)
	}
	return e
}

// written sets what is detected and claimed about a pass: the driver, and the card by the
// path beside what the machine calls it.
func written(e *record.Evidence, driver, card string) {
	e.System, e.Pass.Claims = record.System{}, nil
	plugintest.Field(record.FieldGraphicsDriver, driver)(e)
	plugintest.Field(record.FieldOSBuild, "7.1.2")(e)
	plugintest.Field(record.FieldMemorySpeed, "6000")(e)
	plugintest.Claim(record.TagGraphics, card, record.FromPath)(e)
	plugintest.Claim(record.TagGraphics, "Maker Lumen 60 12 GB", record.FromDetected)(e)
	plugintest.Claim(record.TagResolution, "1440p", record.FromPath)(e)
	plugintest.Claim(record.TagResolution, "2560x1440", record.FromHeader)(e)
}

func (b *bench) samples(n int) map[string][]float64 {
	out := map[string][]float64{}
	rest := 1 + 2*b.rng.Float64()
	start := b.start + 2*b.rng.NormFloat64()
	for i := range n {
		add := func(name string, x float64) { out[name] = append(out[name], x) }
		noise := func(sd float64) float64 { return sd * b.rng.NormFloat64() }
		warm := 1 - math.Exp(-float64(i)/8)
		quiet := rest + b.rng.ExpFloat64()
		if b.rng.Float64() < 0.01 { // the desktop does something for a moment
			quiet += 60 * b.rng.Float64()
		}
		add(record.SeriesBackground, quiet)
		add(record.SeriesBusy, math.Min(100, 55+noise(4)))
		add(record.SeriesCPUTemp, start+18*warm+noise(0.7))
		add("cpu.core.0.clock", 4900-40*warm+noise(25))
		add("gpu.0.busy", math.Min(100, 97+noise(2)))
		add("gpu.0.clock", 2600-25*warm+noise(10))
		add("gpu.0.temp", start-5+16*warm+noise(0.5))
		add("gpu.0.throttle", float64(record.ThrottlePower*(i%2)))
		add(record.SeriesDiskWrite, 2e6*b.rng.ExpFloat64())
		add(record.SeriesNetRecv, 1e5*b.rng.ExpFloat64())
		add(record.SeriesMemStall, 0.1*b.rng.ExpFloat64())
	}
	return out
}

// disturbed invents one pass of each disturbance.
func (b *bench) disturbed(cell int, earlier []record.Earlier) []labelled {
	half := b.seconds / 2
	// Other work slows a program down a little; how much is not what is judged here.
	slow := func(by float64) func(*testlab.Scene) {
		return func(s *testlab.Scene) { s.SlowAtS, s.SlowBy = float64(half), by }
	}
	change := func(name string, f func(i int, x float64) float64) func(map[string][]float64) {
		return func(m map[string][]float64) {
			for i, x := range m[name] {
				m[name][i] = f(i, x)
			}
		}
	}
	without := func(f func(map[string][]float64), names ...string) func(map[string][]float64) {
		return func(m map[string][]float64) {
			f(m)
			for _, n := range names {
				delete(m, n)
			}
		}
	}
	falling := func(m map[string][]float64) {
		change("cpu.core.0.clock", func(i int, x float64) float64 { return x - 600*float64(i)/float64(b.seconds) })(m)
		change(record.SeriesCPUTemp, func(i int, x float64) float64 { return max(x, 93) })(m)
	}
	kinds := []struct {
		condition string
		want      string
		scene     func(*testlab.Scene)
		samples   func(map[string][]float64)
	}{
		{"stopped early", "completeness", func(s *testlab.Scene) { s.Seconds *= 0.6 }, nil},
		{"paused 2 s", "hitches", func(s *testlab.Scene) { s.StallAtS, s.StallS = float64(half), 2 }, nil},
		{"capped at 60", "framecap", func(s *testlab.Scene) { s.FPS, s.CapFPS = max(s.FPS, 110), 60 }, nil},
		{"capped at 60, the limiter wakes late", "framecap",
			func(s *testlab.Scene) { s.FPS, s.CapFPS = max(s.FPS, 110), 60/1.015 }, nil},
		{"capped at 40 by screen", "framecap", func(s *testlab.Scene) { s.FPS, s.CapFPS = max(s.FPS, 90), 40 }, nil},
		{"light load, 20 % of a core", "background", nil,
			change(record.SeriesBackground, func(_ int, x float64) float64 { return x + 20 })},
		{"two busy loops from the middle", "background", slow(1.03),
			change(record.SeriesBackground, func(i int, x float64) float64 {
				if i >= half {
					return x + 195
				}
				return x
			})},
		{"card reports heat", "thermal", slow(1.05), change("gpu.0.throttle", func(i int, x float64) float64 {
			if i > half {
				return x + record.ThrottleThermal
			}
			return x
		})},
		{"processor counts throttling", "thermal", slow(1.05), func(m map[string][]float64) {
			for i := range m[record.SeriesBusy] {
				m[record.SeriesCPUThrottle] = append(m[record.SeriesCPUThrottle], float64(max(0, i-half)*3+400))
			}
		}},
		{"clock falls at 93 degrees, no counters", "thermal", slow(1.06), falling},
		{"clock falls, no temperature", "thermal", slow(1.06), without(falling, record.SeriesCPUTemp)},
		{"began 25 degrees colder", "thermal", nil,
			change(record.SeriesCPUTemp, func(_ int, x float64) float64 { return x - 25 })},
		{"rate falls 8 %", "drift", func(s *testlab.Scene) { s.Drift = 0.08 }, nil},
		{"pass 6 % slower", "agreement", func(s *testlab.Scene) { s.FPS *= 0.94 }, nil},
		{"twelve hitches a minute more", "hitches", func(s *testlab.Scene) { s.Hitches = 20 }, nil},
	}
	var out []labelled
	for _, k := range kinds {
		e := b.pass(k.scene, k.samples)
		e.Earlier = slices.Clone(earlier)
		out = append(out, labelled{name: fmt.Sprintf("cell %d", cell), condition: k.condition, want: []string{k.want},
			evidence: e})
	}
	return append(out, b.others(cell, earlier)...)
}

// others invents disturbances of what is written down about a pass.
func (b *bench) others(cell int, earlier []record.Earlier) []labelled {
	name := fmt.Sprintf("cell %d", cell)
	changed := b.pass(nil, nil)
	written(&changed, "1.5", "lumen 60")
	changed.Earlier = slices.Clone(earlier)
	misplaced := b.pass(nil, nil)
	written(&misplaced, "1.4", "lumen 40")
	misplaced.Earlier = slices.Clone(earlier)
	of := b.pass(nil, nil)
	of.Pass.SHA256, of.Pass.ID = "copy", "copy"
	copied := of
	original := plugintest.Earlier(of, record.Clean)
	original.Pass.SHA256, original.Pass.ID = "original", "original"
	copied.Earlier = append(slices.Clone(earlier), original)
	micro := b.pass(nil, nil)
	for i := range micro.Frames.MS {
		micro.Frames.MS[i] /= 1000
	}
	micro.Pass.Metrics, _ = metrics.Compute(micro.Frames)
	return []labelled{
		{name: name, condition: "driver changed", want: []string{"configuration"}, evidence: changed},
		{name: name, condition: "in another card's folder", want: []string{"place"}, evidence: misplaced},
		{name: name, condition: "copy of an earlier pass", want: []string{"duplicate"}, evidence: copied},
		{name: name, condition: "unit read wrong", want: []string{"clock"}, evidence: micro},
	}
}
