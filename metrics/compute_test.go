package metrics_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"pgregory.net/rapid"
)

// naive computes the figures the way the definitions read: sort everything, add in
// rational numbers, look at every window.
func naive(f record.Frames) record.Metrics {
	asc := slices.Clone(f.MS)
	slices.Sort(asc)
	n := len(asc)
	exact := func(x float64) *big.Rat {
		if f.Decimals < 0 {
			return new(big.Rat).SetFloat64(x)
		}
		scale := math.Pow10(f.Decimals)
		r := new(big.Rat).SetFloat64(math.Round(x * scale))
		return r.Quo(r, new(big.Rat).SetFloat64(scale))
	}
	total := new(big.Rat)
	for _, x := range asc {
		total.Add(total, exact(x))
	}
	perMS := func(k int, t *big.Rat) float64 {
		r := new(big.Rat).SetInt64(1000 * int64(k))
		v, _ := r.Quo(r, t).Float64()
		return v
	}
	q := func(num, den int) float64 {
		lo := (n - 1) * num / den
		a, b := new(big.Rat).SetFloat64(asc[lo]), new(big.Rat).SetFloat64(asc[min(lo+1, n-1)])
		g := big.NewRat(int64((n-1)*num-lo*den), int64(den))
		v, _ := a.Add(a, g.Mul(g, b.Sub(b, a))).Float64()
		return v
	}
	seconds, _ := new(big.Rat).Mul(total, big.NewRat(1, 1000)).Float64()
	m := record.Metrics{
		Frames: n, DurationS: seconds, AvgFPS: perMS(n, total),
		MedianMS: q(1, 2), P95MS: q(95, 100), P99MS: q(99, 100), P999MS: q(999, 1000), MaxMS: asc[n-1],
		P99FPS: 1000 / q(99, 100), Low1Sparse: n < 1000, Low01Sparse: n < 10000,
	}
	k1, k01 := (n+99)/100, (n+999)/1000
	c := new(big.Rat)
	for j := 1; j <= n; j++ {
		d := asc[n-j]
		c.Add(c, exact(d))
		if j == k1 {
			m.Low1FPS = perMS(j, c)
		}
		if j == k01 {
			m.Low01FPS = perMS(j, c)
		}
		if m.Low1TimeFPS == 0 && new(big.Rat).Mul(c, big.NewRat(100, 1)).Cmp(total) >= 0 {
			m.Low1TimeFPS = 1000 / d
		}
	}
	m.Hitches = len(naiveHitches(f.MS, metrics.DefaultHitchRule()))
	return m
}

func naiveHitches(x []float64, r metrics.HitchRule) []int {
	median := func(w []float64) float64 {
		w = slices.Clone(w)
		slices.Sort(w)
		n := len(w)
		return (w[(n-1)/2] + w[n/2]) / 2
	}
	var out []int
	for i, v := range x {
		w := slices.Clone(x[max(i-r.HalfWindow, 0):min(i+r.HalfWindow+1, len(x))])
		med := median(w)
		for j := range w {
			w[j] = math.Abs(w[j] - med)
		}
		mad := median(w)
		if v-med > r.Limit*max(1.4826022185056018*mad, r.Floor*med) && v > r.Factor*med && v-med > r.OverMS {
			out = append(out, i)
		}
	}
	return out
}

// figures are the floating-point figures by name.
func figures(m record.Metrics) map[string]float64 {
	return map[string]float64{
		"duration_s": m.DurationS, "avg_fps": m.AvgFPS, "median_ms": m.MedianMS, "p95_ms": m.P95MS,
		"p99_ms": m.P99MS, "p999_ms": m.P999MS, "max_ms": m.MaxMS, "low1_fps": m.Low1FPS,
		"low01_fps": m.Low01FPS, "low1_time_fps": m.Low1TimeFPS, "p99_fps": m.P99FPS,
	}
}

type failer interface {
	Helper()
	Errorf(string, ...any)
}

func equal(t failer, got, want record.Metrics, rel float64) {
	t.Helper()
	g, w := figures(got), figures(want)
	for name := range w {
		// Below the normal doubles digits are lost.
		if math.Abs(g[name]-w[name]) > max(rel*math.Abs(w[name]), 0x1p-1022) || math.IsNaN(g[name]) {
			t.Errorf("%s = %v, want %v", name, g[name], w[name])
		}
	}
	if got.Frames != want.Frames || got.Hitches != want.Hitches || got.Low1Sparse != want.Low1Sparse || got.Low01Sparse != want.Low01Sparse {
		t.Errorf("got %+v, want %+v", got, want)
	}
}

// series draws frame times of many kinds: smooth, capped, tied, spiky, tiny.
func series(t *rapid.T, maxN int) record.Frames {
	n := rapid.OneOf(rapid.IntRange(1, 5), rapid.IntRange(1, 300), rapid.IntRange(1, maxN)).Draw(t, "n")
	kind := rapid.IntRange(0, 6).Draw(t, "kind")
	level := rapid.Float64Range(0.3, 60).Draw(t, "level")
	rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	f := record.Frames{MS: make([]float64, n), Decimals: rapid.SampledFrom([]int{-1, 0, 3, 6}).Draw(t, "decimals")}
	for i := range f.MS {
		f.MS[i] = frameTime(rng, kind, i, level)
	}
	if kind == 5 {
		f.Decimals = -1
	}
	if f.Decimals >= 0 {
		scale := math.Pow10(f.Decimals)
		for i := range f.MS {
			f.MS[i] = math.Round(f.MS[i]*scale) / scale
		}
	}
	if slices.Max(f.MS) == 0 {
		f.MS[0] = 1
	}
	return f
}

func frameTime(rng *rand.Rand, kind, i int, level float64) float64 {
	switch kind {
	case 0: // smooth
		return level * math.Exp(0.2*rng.NormFloat64())
	case 1: // capped
		return level + 0.01*rng.Float64()
	case 2: // ties
		return math.Ceil(level) + float64(rng.IntN(3))
	case 3: // spikes
		x := level * math.Exp(0.05*rng.NormFloat64())
		if rng.IntN(20) == 0 {
			x += 100 * rng.ExpFloat64()
		}
		return x
	case 4: // two levels
		return level * float64(1+3*(i&1))
	case 5: // any magnitude
		return min(math.Exp(20*rng.NormFloat64()), 1e11)
	}
	if rng.IntN(3) == 0 { // frames of no length among others
		return 0
	}
	return level
}

func TestComputeAgainstDefinitions(t *testing.T) {
	var c metrics.Computer
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 4000)
		got, err := c.Compute(f)
		want := naive(f)
		if want.P99MS < metrics.ShortestMS {
			var e *metrics.FrameError
			if !errors.As(err, &e) || e.Reason != metrics.NoLength {
				t.Fatalf("error %v, want no length", err)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		equal(t, got, want, 1e-15*4)
	})
}

// The orders of the low rates hold exactly, not only up to rounding, and no percentile
// leaves the sample.
func TestOrderOfFigures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 4000)
		m, err := metrics.Compute(f)
		if err != nil {
			t.Skip(err)
		}
		asc := slices.Sorted(slices.Values(f.MS))
		n := len(asc)
		atK := 1000 / asc[n-(n+99)/100]
		for name, ok := range map[string]bool{
			"(b) <= 1000/d_k":      m.Low1FPS <= atK,
			"(c) <= 1000/d_k":      m.Low1TimeFPS <= atK,
			"1000/d_k <= (a)":      atK <= m.P99FPS,
			"0.1 % <= 1 %":         m.Low01FPS <= m.Low1FPS,
			"1 % <= average":       m.Low1FPS <= m.AvgFPS*(1+1e-15),
			"slowest <= 0.1 %":     1000/m.MaxMS <= m.Low01FPS,
			"percentiles ascend":   asc[0] <= m.MedianMS && m.MedianMS <= m.P95MS && m.P95MS <= m.P99MS && m.P99MS <= m.P999MS && m.P999MS <= m.MaxMS,
			"hitches among frames": m.Hitches >= 0 && m.Hitches < n,
		} {
			if !ok {
				t.Errorf("%s does not hold: %+v, 1000/d_k = %v", name, m, atK)
			}
		}
	})
}

func TestOrderOfFramesDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 2000)
		a, err := metrics.Compute(f)
		if err != nil {
			t.Skip(err)
		}
		g := f
		g.MS = slices.Clone(f.MS)
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 2))
		rng.Shuffle(len(g.MS), func(i, j int) { g.MS[i], g.MS[j] = g.MS[j], g.MS[i] })
		b, err := metrics.Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		a.Hitches, b.Hitches = 0, 0 // the only figure that looks at neighbours
		if a != b {
			t.Errorf("%+v after permutation, %+v before", b, a)
		}
	})
}

func TestScaling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 2000)
		f.Decimals = -1
		a, err := metrics.Compute(f)
		if err != nil || a.MaxMS > 1e10 {
			t.Skip(err)
		}
		g := f
		g.MS = slices.Clone(f.MS)
		for i := range g.MS {
			g.MS[i] *= 8 // exact
		}
		b, err := metrics.Compute(g)
		if err != nil {
			t.Fatal(err)
		}
		for name, v := range figures(a) {
			want := v * 8
			if name[len(name)-3:] == "fps" {
				want = v / 8
			}
			if got := figures(b)[name]; math.Abs(got-want) > 1e-15*4*want {
				t.Errorf("%s = %v for frames 8 times as long, want %v", name, got, want)
			}
		}
	})
}

func TestHitchesAgainstDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := series(t, 1500)
		rule := metrics.HitchRule{
			HalfWindow: rapid.IntRange(0, 60).Draw(t, "half"),
			Limit:      rapid.SampledFrom([]float64{0, 1, 3, 8}).Draw(t, "limit"),
			Floor:      rapid.SampledFrom([]float64{0, 0.02, 0.5}).Draw(t, "floor"),
			Factor:     rapid.SampledFrom([]float64{1, 1.5, 2, 3}).Draw(t, "factor"),
			OverMS:     rapid.SampledFrom([]float64{0, 1, 4, 8}).Draw(t, "over"),
		}
		got, err := metrics.Hitches(f.MS, rule)
		if err != nil {
			t.Fatal(err)
		}
		if want := naiveHitches(f.MS, rule); !slices.Equal(got, want) {
			t.Errorf("hitches at %v, want %v", got, want)
		}
	})
}

func TestRefusedFrames(t *testing.T) {
	for name, c := range map[string]struct {
		ms   []float64
		want metrics.FrameError
	}{
		"empty":     {nil, metrics.FrameError{Reason: metrics.Empty, Index: -1}},
		"negative":  {[]float64{10, -1}, metrics.FrameError{Reason: metrics.Negative, Index: 1, Value: -1}},
		"infinite":  {[]float64{10, 11, math.Inf(1)}, metrics.FrameError{Reason: metrics.NotFinite, Index: 2, Value: math.Inf(1)}},
		"minus inf": {[]float64{math.Inf(-1)}, metrics.FrameError{Reason: metrics.NotFinite, Value: math.Inf(-1)}},
		"too long":  {[]float64{1e13}, metrics.FrameError{Reason: metrics.TooLong, Value: 1e13}},
		"no length": {[]float64{0, 0, 0}, metrics.FrameError{Reason: metrics.NoLength, Index: -1}},
	} {
		_, err := metrics.Compute(record.Frames{MS: c.ms, Decimals: -1})
		var e *metrics.FrameError
		if !errors.As(err, &e) || *e != c.want {
			t.Errorf("%s: error %v, want %v", name, err, &c.want)
		}
	}
	_, err := metrics.Compute(record.Frames{MS: []float64{10, math.NaN()}, Decimals: 3})
	var e *metrics.FrameError
	if !errors.As(err, &e) || e.Reason != metrics.NotFinite || e.Index != 1 {
		t.Errorf("NaN: error %v", err)
	}
}

func TestMinusZeroIsZero(t *testing.T) {
	a, err := metrics.Compute(record.Frames{MS: []float64{10, math.Copysign(0, -1), 10}, Decimals: 0})
	if err != nil {
		t.Fatal(err)
	}
	b, err := metrics.Compute(record.Frames{MS: []float64{10, 0, 10}, Decimals: 0})
	if err != nil || a != b {
		t.Errorf("%+v with minus zero, %+v with zero (%v)", a, b, err)
	}
	if a.AvgFPS != 150 {
		t.Errorf("average %v, want 150", a.AvgFPS)
	}
}

// A figure must always be a number that JSON can hold.
func FuzzCompute(f *testing.F) {
	f.Add([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}, -1)
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0x30, 0x40, 0, 0, 0, 0, 0, 0, 0x30, 0x40}, 3)
	f.Fuzz(func(t *testing.T, raw []byte, decimals int) {
		var x []float64
		for ; len(raw) >= 8; raw = raw[8:] {
			var bits uint64
			for i := range 8 {
				bits |= uint64(raw[i]) << (8 * i)
			}
			x = append(x, math.Float64frombits(bits))
		}
		fr := record.Frames{MS: x, Decimals: -1}
		if decimals >= 0 && decimals < 10 {
			fr.Decimals = decimals
			for i, v := range x {
				scale := math.Pow10(decimals)
				x[i] = math.Round(math.Abs(v)*scale) / scale
			}
		}
		m, err := metrics.Compute(fr)
		if err != nil {
			if m != (record.Metrics{}) {
				t.Fatalf("figures beside the error %v: %+v", err, m)
			}
			return
		}
		if _, err := json.Marshal(m); err != nil {
			t.Fatal(err)
		}
		for i, v := range x {
			if v == 0 {
				x[i] = 0
			}
		}
		equal(t, m, naive(fr), 1e-15*4)
	})
}

func TestComputerAllocatesNothing(t *testing.T) {
	f := record.Frames{MS: testlab.Scene{Seed: 1, FPS: 90, Seconds: 60}.Frames(), Decimals: 3}
	var c metrics.Computer
	if got := testing.AllocsPerRun(20, func() {
		if _, err := c.Compute(f); err != nil {
			t.Fatal(err)
		}
	}); got != 0 {
		t.Errorf("%v allocations per pass, want 0", got)
	}
}

func BenchmarkCompute(b *testing.B) {
	scene := testlab.Scene{Seed: 1, FPS: 90, Seconds: 60}.Frames()
	capped := testlab.Scene{Seed: 2, FPS: 140, Seconds: 60, CapFPS: 100}.Frames()
	for _, c := range []struct {
		name string
		ms   []float64
		n    int
	}{
		{"1k", scene, 1000}, {"5400", scene, 5400}, {"12k", scene, 12000}, {"12k-capped", capped, 12000},
		{"100k", scene, 100_000}, {"10M", scene, 10_000_000},
	} {
		b.Run(c.name, func(b *testing.B) {
			x := make([]float64, 0, c.n)
			for len(x) < c.n {
				x = append(x, c.ms[:min(len(c.ms), c.n-len(x))]...)
			}
			f := record.Frames{MS: x, Decimals: 3}
			var comp metrics.Computer
			b.SetBytes(int64(8 * c.n))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := comp.Compute(f); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(c.n), "ns/frame")
		})
	}
}
