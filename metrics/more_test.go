package metrics_test

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
	"pgregory.net/rapid"
)

func more(t *testing.T, ms []float64, o metrics.Options) metrics.Extra {
	t.Helper()
	e, err := metrics.More(record.Frames{MS: ms, Decimals: -1}, o)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func recorded(t *testing.T, file string) record.Frames {
	t.Helper()
	r, _, err := framelog.ReadFile(filepath.Join(testlab.Root(), "testdata", "real-passes", file), framelog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r.Frames
}

func TestNothingAskedNothingSaid(t *testing.T) {
	got, err := json.Marshal(more(t, []float64{10, 20}, metrics.Options{}))
	if err != nil || string(got) != "{}" {
		t.Errorf("%s (%v)", got, err)
	}
}

// Worked by hand: 99 frames of 10 ms and one of 110 ms, 1,100 ms together.
func TestOverAndLows(t *testing.T) {
	x := slices.Repeat([]float64{10}, 99)
	x = append(x, 110)
	e := more(t, x, metrics.Options{OverMS: []float64{9, 10, 50}, LowPercent: []float64{1, 10, 0.5}})
	want := []metrics.Over{
		{MS: 9, Frames: 100, Share: 1, TimeS: 1.1, TimeShare: 1},
		{MS: 10, Frames: 1, Share: 0.01, TimeS: 0.11, TimeShare: 0.1}, // a limit is not exceeded by itself
		{MS: 50, Frames: 1, Share: 0.01, TimeS: 0.11, TimeShare: 0.1},
	}
	if !reflect.DeepEqual(e.Over, want) {
		t.Errorf("over: %+v", e.Over)
	}
	lows := []metrics.Low{
		{Percent: 1, Frames: 1, FPS: 1000.0 / 110, TimeFPS: 1000.0 / 110, PercentileFPS: 1000 / 11.0, Sparse: true},
		{Percent: 10, Frames: 10, FPS: 10000.0 / 200, TimeFPS: 1000.0 / 110, PercentileFPS: 100},
		{Percent: 0.5, Frames: 1, FPS: 1000.0 / 110, TimeFPS: 1000.0 / 110, PercentileFPS: 1000 / 60.5, Sparse: true},
	}
	for i, l := range lows {
		g := e.Lows[i]
		for name, p := range map[string][2]float64{"fps": {g.FPS, l.FPS}, "time": {g.TimeFPS, l.TimeFPS}, "percentile": {g.PercentileFPS, l.PercentileFPS}} {
			if math.Abs(p[0]-p[1]) > 1e-12*p[1] {
				t.Errorf("%v %%: %s = %v, want %v", l.Percent, name, p[0], p[1])
			}
		}
		if g.Frames != l.Frames || g.Sparse != l.Sparse || g.Percent != l.Percent {
			t.Errorf("got %+v, want %+v", g, l)
		}
	}
}

// The figures on request agree with the default ones where they mean the same.
func TestMoreAgreesWithCompute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 2000)
		m, err := metrics.Compute(f)
		if err != nil {
			t.Skip(err)
		}
		if m.MedianMS == 0 {
			t.Skip("a limit of nothing is refused")
		}
		e, err := metrics.More(f, metrics.Options{QuantileType: 7, LowPercent: []float64{1, 0.1}, OverMS: []float64{m.MaxMS, m.MedianMS, 1e-300}, Trend: true})
		var fe *metrics.FrameError
		if errors.As(err, &fe) && (fe.Reason == metrics.NoLength || fe.Reason == metrics.TooShort) {
			t.Skip(err) // the fastest frames of the tail have next to no length
		} else if err != nil {
			t.Fatal(err)
		}
		for name, p := range map[string][2]float64{
			"median": {e.Quantiles.MedianMS, m.MedianMS}, "p95": {e.Quantiles.P95MS, m.P95MS}, "p99": {e.Quantiles.P99MS, m.P99MS},
			"p999": {e.Quantiles.P999MS, m.P999MS}, "p99_fps": {e.Quantiles.P99FPS, m.P99FPS},
			"low1": {e.Lows[0].FPS, m.Low1FPS}, "low01": {e.Lows[1].FPS, m.Low01FPS}, "p99 of low": {e.Lows[0].PercentileFPS, m.P99FPS},
		} {
			if math.Abs(p[0]-p[1]) > 1e-9*p[1] {
				t.Errorf("%s = %v on request, %v by default", name, p[0], p[1])
			}
		}
		if o := e.Over; o[0].Frames != 0 || o[1].Share > 0.5 || o[2].TimeS != m.DurationS || o[2].TimeShare != 1 {
			t.Errorf("over: %+v of %+v", o, m)
		}
		if _, err := json.Marshal(e); err != nil {
			t.Errorf("no JSON: %v", err)
		}
		if tr := e.Trend; !(tr.EffectiveFrames >= 1 && tr.EffectiveFrames <= float64(m.Frames)) || !(tr.P >= 0 && tr.P <= 1) {
			t.Errorf("trend: %+v", tr)
		}
	})
}

func TestQuantileTypesOfRequest(t *testing.T) {
	testlab.Checks(t, "quantiles", func(t *testing.T, c testlab.Case) {
		var x, p, want []float64
		c.In(t, "x", &x)
		c.In(t, "p", &p)
		e := more(t, x, metrics.Options{QuantileType: 8})
		if err := json.Unmarshal(c.Expected["type8"], &want); err != nil {
			t.Fatal(err)
		}
		got := map[float64]float64{0.5: e.Quantiles.MedianMS, 0.95: e.Quantiles.P95MS, 0.99: e.Quantiles.P99MS, 0.999: e.Quantiles.P999MS}
		compared := 0
		for i, v := range p {
			if g, ok := got[v]; ok {
				compared++
				if !c.Near(g, want[i]) {
					t.Errorf("at %v: %v, want %v", v, g, want[i])
				}
			}
		}
		if compared != 4 && testlab.OwnChecks() {
			t.Errorf("%d percentiles compared", compared)
		}
	})
}

func TestCapOnRequest(t *testing.T) {
	testlab.Checks(t, "frame_cap", func(t *testing.T, c testlab.Case) {
		var x []float64
		var hz float64
		c.In(t, "x", &x)
		c.In(t, "refresh_hz", &hz)
		got := more(t, x, metrics.Options{CapFPS: []float64{hz}}).Caps[0]
		c.Want(t, "share_at_1", got.AtOne)
		c.Want(t, "share_faster_than_1", got.Shorter)
	})
	// A real pass under a limiter and one without.
	f := recorded(t, "scene-a.400x300.low.frame-cap.pass1.csv")
	e, err := metrics.More(f, metrics.Options{CapFPS: []float64{30, 60}})
	if err != nil || e.Caps[0].AtOne < 0.95 || e.Caps[0].Shorter > 0.05 || e.Caps[0].Beside > 0.05 {
		t.Errorf("limited to 30: %+v (%v)", e.Caps, err)
	}
	// A screen of 60 Hz that is waited for holds frames for two of its intervals.
	if e.Caps[1].Share < 0.95 || e.Caps[1].AtOne != 0 {
		t.Errorf("limited to 30, seen at 60: %+v", e.Caps[1])
	}
	free, err := metrics.More(recorded(t, "scene-a.640x480.low.clean.pass1.csv"), metrics.Options{CapFPS: []float64{30, 48, 60}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range free.Caps {
		if c.Share > 0.5 {
			t.Errorf("no limiter: %+v", c)
		}
	}
}

// Frames that get longer by 10 % over a minute, and ones that do not.
func TestTrendOnRequest(t *testing.T) {
	scene := testlab.Scene{Seed: 4, FPS: 120, Seconds: 60}.Frames()
	still := more(t, scene, metrics.Options{Trend: true}).Trend
	drifting := slices.Clone(scene)
	for i := range drifting {
		drifting[i] *= 1 + 0.1*float64(i)/float64(len(drifting))
	}
	d := more(t, drifting, metrics.Options{Trend: true}).Trend
	if grown := d.ChangePercent - still.ChangePercent; !d.Changed || grown < 7 || grown > 13 || d.ChangeLow > d.ChangePercent || d.ChangeHigh < d.ChangePercent {
		t.Errorf("drifting by 10 %%: %+v; the scene itself: %+v", d, still)
	}
	half := slices.Clone(scene)
	for i := range half[len(half)/2:] {
		half[len(half)/2+i] *= 1.3
	}
	h := more(t, half, metrics.Options{Trend: true}).Trend
	if h.Step == nil || h.Step.AfterS < 24 || h.Step.AfterS > 36 || math.Abs(h.Step.ChangePercent-30) > 6 || h.Step.P > 0.01 {
		t.Errorf("30 %% longer from the middle on: %+v", h.Step)
	}
	if short := more(t, scene[:200], metrics.Options{Trend: true}).Trend; short.P != 1 || short.Changed || short.Step != nil {
		t.Errorf("two seconds: %+v", short)
	}
	if same := more(t, slices.Repeat([]float64{8}, 1000), metrics.Options{Trend: true}).Trend; same.EffectiveFrames != 1000 || same.P != 1 {
		t.Errorf("frames all alike: %+v", same)
	}
}

func TestIntervalOnRequest(t *testing.T) {
	f := recorded(t, "scene-a.640x480.low.clean.pass1.csv")
	d := metrics.DefaultDraws()
	e, err := metrics.More(f, metrics.Options{Interval: &d})
	if err != nil {
		t.Fatal(err)
	}
	again, err := metrics.More(f, metrics.Options{Interval: &d})
	if err != nil || *again.Interval != *e.Interval {
		t.Errorf("another interval from the same seed: %+v, %+v (%v)", again.Interval, e.Interval, err)
	}
	m, err := metrics.Compute(f)
	if err != nil {
		t.Fatal(err)
	}
	i := e.Interval
	if i.Seed != 1 || i.Block != int(math.Sqrt(float64(m.Frames))) || i.Resamples != 1000 || i.Confidence != 0.95 {
		t.Errorf("settings not told: %+v", i)
	}
	for name, p := range map[string]struct {
		value  float64
		limits metrics.Limits
	}{"avg": {m.AvgFPS, i.AvgFPS}, "low1": {m.Low1FPS, i.Low1FPS}, "p99": {m.P99FPS, i.P99FPS}, "by time": {m.Low1TimeFPS, i.Low1TimeFPS}} {
		if p.limits.Low > p.value || p.limits.High < p.value || !(p.limits.SE > 0) {
			t.Errorf("%s: %v outside %+v", name, p.value, p.limits)
		}
	}
	// Batch means (Conway 1963) say much the same of the average.
	b, err := stats.BatchMeans(f.MS, 0)
	if err != nil {
		t.Fatal(err)
	}
	relative := b.SE / (1000 / m.AvgFPS)
	if r := i.AvgFPS.SE / m.AvgFPS / relative; r < 0.6 || r > 1.5 {
		t.Errorf("standard error of the average %.3g %% by blocks, %.3g %% by batch means", 100*i.AvgFPS.SE/m.AvgFPS, 100*relative)
	}
	d.Seed = 2
	if other, err := metrics.More(f, metrics.Options{Interval: &d}); err != nil || other.Interval.AvgFPS == i.AvgFPS {
		t.Errorf("the seed changes nothing (%v)", err)
	}
}

func TestMoreRefuses(t *testing.T) {
	for name, o := range map[string]metrics.Options{
		"type":       {QuantileType: 10},
		"share":      {LowPercent: []float64{100}},
		"digits":     {LowPercent: []float64{1.00000000001}},
		"limit":      {OverMS: []float64{0}},
		"rate":       {CapFPS: []float64{math.Inf(1)}},
		"resamples":  {Interval: &metrics.Draws{N: 1, Confidence: 0.95}},
		"confidence": {Interval: &metrics.Draws{N: 1000, Confidence: 95}},
	} {
		if _, err := metrics.More(record.Frames{MS: []float64{10}, Decimals: 0}, o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	var e *metrics.FrameError
	if _, err := metrics.More(record.Frames{}, metrics.Options{Trend: true}); !errors.As(err, &e) || e.Reason != metrics.Empty {
		t.Errorf("no frames: %v", err)
	}
	if _, err := metrics.More(record.Frames{MS: []float64{10, 1e-150}, Decimals: -1}, metrics.Options{Trend: true}); !errors.As(err, &e) || e.Reason != metrics.TooShort || e.Index != 1 {
		t.Errorf("absurdly short: %v", err)
	}
	if o := more(t, []float64{10, math.Copysign(0, -1), 10}, metrics.Options{OverMS: []float64{5}}).Over[0]; o.Frames != 2 || o.TimeShare != 1 {
		t.Errorf("minus zero: %+v", o)
	}
}

func BenchmarkMore(b *testing.B) {
	f := record.Frames{MS: testlab.Scene{Seed: 1, FPS: 90, Seconds: 60}.Frames(), Decimals: 3}
	d := metrics.DefaultDraws()
	for name, o := range map[string]metrics.Options{
		"trend": {Trend: true}, "interval": {Interval: &d}, "limits": {QuantileType: 8, OverMS: []float64{16.7, 33.3}, CapFPS: []float64{60, 144}},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := metrics.More(f, o); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Whatever the frames, the figures on request are an error or numbers that JSON can hold.
func FuzzMore(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}, uint8(7), 16.7, 60.0, 1.0)
	f.Add(slices.Repeat([]byte{0, 0, 0, 0, 0, 0, 0x30, 0x40}, 40), uint8(3), 33.3, 62.5, 0.25)
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x8f, 0x40}, uint8(1), 1e-300, 1e300, 99.9)
	f.Fuzz(func(t *testing.T, raw []byte, kind uint8, over, rate, share float64) {
		var x []float64
		for ; len(raw) >= 8 && len(x) < 2000; raw = raw[8:] {
			x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(raw)))
		}
		d := metrics.Draws{N: 100, Block: int(kind), Seed: uint64(kind), Confidence: 0.9}
		e, err := metrics.More(record.Frames{MS: x, Decimals: -1}, metrics.Options{QuantileType: int(kind % 10), OverMS: []float64{over},
			CapFPS: []float64{rate}, LowPercent: []float64{share}, Trend: true, Interval: &d})
		if err != nil {
			return
		}
		if _, err := json.Marshal(e); err != nil {
			t.Fatal(err)
		}
		if i := e.Interval; i.AvgFPS.Low > i.AvgFPS.High || i.Low1FPS.Low > i.Low1FPS.High {
			t.Errorf("limits the wrong way round: %+v", i)
		}
	})
}
