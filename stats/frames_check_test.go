package stats_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
	"pgregory.net/rapid"
)

// tally counts the numbers that were compared with a table of check values, so that a
// test cannot pass by comparing nothing.
type tally int

func (n *tally) number(t *testing.T, c testlab.Case, key string, got float64) {
	t.Helper()
	raw, ok := c.Expected[key]
	if !ok {
		return
	}
	*n++
	if string(raw) == "null" {
		if !math.IsNaN(got) {
			t.Errorf("%s: %s = %v, want undefined", c.ID, key, got)
		}
		return
	}
	c.Want(t, key, got)
}

func (n *tally) numbers(t *testing.T, c testlab.Case, got map[string]float64) {
	t.Helper()
	before := *n
	for key, v := range got {
		n.number(t, c, key, v)
	}
	if *n == before {
		t.Errorf("%s: nothing was compared", c.ID)
	}
}

func (n *tally) list(t *testing.T, c testlab.Case, key string, got []float64) {
	t.Helper()
	if _, ok := c.Expected[key]; !ok {
		return
	}
	*n += tally(len(got))
	wantList(t, c, key, got)
}

func (n *tally) indices(t *testing.T, c testlab.Case, key string, got []int) {
	t.Helper()
	f := make([]float64, len(got))
	for i, v := range got {
		f[i] = float64(v)
	}
	n.list(t, c, key, f)
}

// atLeast is called after the table; wanted is how many numbers the table holds.
func (n tally) atLeast(t *testing.T, wanted int) {
	t.Helper()
	t.Logf("%d numbers compared", n)
	if !testlab.OwnChecks() {
		wanted = 1
	}
	if int(n) < wanted {
		t.Errorf("only %d numbers were compared, want %d", n, wanted)
	}
}

func TestQuantiles(t *testing.T) {
	var n tally
	testlab.Checks(t, "quantiles", func(t *testing.T, c testlab.Case) {
		x, p := in[[]float64](t, c, "x"), in[[]float64](t, c, "p")
		for kind := 1; kind <= 9; kind++ {
			var got []float64
			for _, v := range p {
				q, err := stats.Quantile(x, v, kind)
				if err != nil {
					t.Fatal(err)
				}
				got = append(got, q)
			}
			n.list(t, c, fmt.Sprintf("type%d", kind), got)
		}
		wantMetricsQuantiles(t, &n, c, x, p)
	})
	n.atLeast(t, 9*9*14)
}

// wantMetricsQuantiles compares the default percentiles of a pass with the table.
func wantMetricsQuantiles(t *testing.T, n *tally, c testlab.Case, x, p []float64) {
	t.Helper()
	m, err := metrics.Compute(record.Frames{MS: x, Decimals: -1})
	if err != nil {
		t.Fatal(err)
	}
	var want []float64
	if err := json.Unmarshal(c.Expected["type7"], &want); err != nil {
		t.Fatal(err)
	}
	for i, v := range p {
		if got, ok := map[float64]float64{0.5: m.MedianMS, 0.95: m.P95MS, 0.99: m.P99MS, 0.999: m.P999MS, 1: m.MaxMS}[v]; ok {
			*n++
			if !c.Near(got, want[i]) {
				t.Errorf("%s: metrics give %.17g at %v, want %.17g", c.ID, got, v, want[i])
			}
		}
	}
}

func TestQuantileRanks(t *testing.T) {
	var n tally
	testlab.Checks(t, "quantile_ci_order", func(t *testing.T, c testlab.Case) {
		r, err := stats.QuantileRanks(in[int](t, c, "n"), in[float64](t, c, "p"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(
			t,
			c,
			map[string]float64{"rank_lo": float64(r.Low), "rank_hi": float64(r.High), "coverage": r.Coverage},
		)
		wantBool(t, c, "hi_beyond_sample", r.HighBeyond)
	})
	n.atLeast(t, 6*3)
}

func TestLowRates(t *testing.T) {
	var n tally
	testlab.Checks(t, "low_rate", func(t *testing.T, c testlab.Case) {
		x, p := in[[]float64](t, c, "frame_ms"), in[[]int](t, c, "p")
		l, err := stats.LowRate(x, p[0], p[1])
		if err != nil {
			t.Fatal(err)
		}
		asc := slices.Sorted(slices.Values(x))
		share := float64(p[0]) / float64(p[1])
		percentile := func(kind int) float64 {
			q, err := stats.QuantileSorted(asc, 1-share, kind)
			if err != nil {
				t.Fatal(err)
			}
			return 1000 / q
		}
		// Other roundings of k, which the project does not use, through the same sum.
		floor := max(1, len(x)*p[0]/p[1])
		round := max(1, (2*len(x)*p[0]+p[1])/(2*p[1]))
		n.numbers(t, c, map[string]float64{
			"a_type7": l.PercentileFPS, "a_type8": percentile(8), "a_type6": percentile(6), "a_nearest_rank_type1": percentile(1),
			"b_k_ceil": float64(l.K), "b_ceil": l.CountFPS, "b_fractional": l.FractionalFPS,
			"b_k_floor_min1": float64(floor), "b_floor_min1": stats.SlowestRate(asc, float64(floor)),
			"b_k_round_half_up_min1": float64(round), "b_round": stats.SlowestRate(asc, float64(round)),
			"c_rank_from_slowest": float64(l.Rank), "c_reach": l.TimeFPS,
			"c_tail_time_ms": l.TailMS, "c_mean_rate_of_tail_time": l.TailTimeFPS,
		})
		wantMetricsLows(t, &n, c, x, p)
	})
	n.atLeast(t, 33*15+11*3+11)
}

func wantMetricsLows(t *testing.T, n *tally, c testlab.Case, x []float64, p []int) {
	t.Helper()
	m, err := metrics.Compute(record.Frames{MS: x, Decimals: 4})
	if err != nil {
		t.Fatal(err)
	}
	switch p[0] * 1000 / p[1] {
	case 10:
		n.numbers(t, c, map[string]float64{"a_type7": m.P99FPS, "b_ceil": m.Low1FPS, "c_reach": m.Low1TimeFPS})
	case 1:
		n.numbers(t, c, map[string]float64{"b_ceil": m.Low01FPS})
	}
}

func TestFrameRates(t *testing.T) {
	var n tally
	testlab.Checks(t, "frame_rate", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "frame_ms")
		r, err := stats.AverageRate(x)
		if err != nil {
			t.Fatal(err)
		}
		m, err := metrics.Compute(record.Frames{MS: x, Decimals: 4})
		if err != nil {
			t.Fatal(err)
		}
		mean, _, err := stats.MeanSD(x)
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{"n": float64(r.N), "total_ms": r.TotalMS, "avg_fps": r.FPS, "mean_ms": mean,
			"median_fps_type7": 1000 / m.MedianMS})
		n.numbers(t, c, map[string]float64{"n": float64(m.Frames), "total_ms": 1000 * m.DurationS, "avg_fps": m.AvgFPS})
	})
	n.atLeast(t, 11*8)
}

func TestRateAverages(t *testing.T) {
	var n tally
	testlab.Checks(t, "rate_average", func(t *testing.T, c testlab.Case) {
		frames, seconds := in[[]float64](t, c, "frames"), in[[]float64](t, c, "seconds")
		pooled, err := stats.PooledRate(frames, seconds)
		if err != nil {
			t.Fatal(err)
		}
		// The pooled rate is both of the weighted means.
		n.numbers(
			t,
			c,
			map[string]float64{"pooled": pooled, "time_weighted_arithmetic": pooled, "frame_weighted_harmonic": pooled},
		)
	})
	n.atLeast(t, 3*3)
}

func TestSpikes(t *testing.T) {
	var n tally
	testlab.Checks(t, "mad_hampel", func(t *testing.T, c testlab.Case) {
		x, limit := in[[]float64](t, c, "x"), in[float64](t, c, "t0")
		global, err := stats.FarFromMedian(x, limit)
		if err != nil {
			t.Fatal(err)
		}
		local, err := stats.Hampel(x, in[int](t, c, "half_window"), limit)
		if err != nil {
			t.Fatal(err)
		}
		// R rounds the scale to 1.4826.
		n.numbers(
			t,
			c,
			map[string]float64{"median": global.Median, "mad_raw": global.MAD, "mad_scaled": 1.4826 * global.MAD},
		)
		n.indices(t, c, "global_flag_index0", global.Index)
		n.indices(t, c, "hampel_index0", local.Index)
		n.list(t, c, "hampel_filtered", local.Filtered)
	})
	n.atLeast(t, 2*3+2+2+15+3+5+60)
	if stats.MADScale != metrics.MADScale {
		t.Errorf("two scales: %v and %v", stats.MADScale, metrics.MADScale)
	}
}

func TestMannKendall(t *testing.T) {
	var n tally
	testlab.Checks(t, "mann_kendall", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "x")
		k, err := stats.MannKendall(x)
		if err != nil {
			t.Fatal(err)
		}
		s, err := stats.TheilSen(nil, x, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{"S": k.S, "var_S": k.VarS, "Z": k.Z, "p_two_sided": k.P, "p_exact": k.PExact,
			"kendall_tau_b": k.TauB, "sen_slope": s.Slope, "sen_intercept": s.Intercept})
	})
	n.atLeast(t, 8*6+2+7)
}

func TestTheilSen(t *testing.T) {
	var n tally
	testlab.Checks(t, "theil_sen", func(t *testing.T, c testlab.Case) {
		var at []float64
		if _, ok := c.Input["t"]; ok {
			at = in[[]float64](t, c, "t")
		}
		s, err := stats.TheilSen(at, in[[]float64](t, c, "x"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{"slope": s.Slope, "intercept": s.Intercept, "lo": s.Low, "hi": s.High})
	})
	n.atLeast(t, 7*4)
}

func TestCUSUM(t *testing.T) {
	var n tally
	testlab.Checks(t, "cusum", func(t *testing.T, c testlab.Case) {
		s, err := stats.CUSUM(
			in[[]float64](t, c, "x"),
			in[float64](t, c, "target"),
			in[float64](t, c, "k"),
			in[float64](t, c, "h"),
		)
		if err != nil {
			t.Fatal(err)
		}
		n.list(t, c, "upper", s.Upper)
		n.list(t, c, "lower", s.Lower)
		alarm := float64(s.Alarm)
		if s.Alarm < 0 {
			alarm = math.NaN()
		}
		n.number(t, c, "first_alarm_index0", alarm)
	})
	n.atLeast(t, 2*(20+80+30)+3)
}

func TestFindStep(t *testing.T) {
	var n tally
	testlab.Checks(t, "change_point", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "x")
		s, err := stats.FindStep(x, 2)
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{
			"cusum_argmax": float64(s.CusumAfter), "cusum_max_abs": s.CusumMax, "lsq_split_after": float64(s.After),
			"lsq_rss": s.RSS, "rss_no_split": s.RSSWhole, "mean_before": s.MeanBefore, "mean_after": s.MeanAfter,
			"pettitt_K": s.PettittK, "pettitt_argmax": float64(s.PettittAfter), "pettitt_p_approx": s.PettittP,
		})
		least := len(x) / 20
		if s, err = stats.FindStep(x, max(2, least)); err != nil {
			t.Fatal(err)
		}
		brk := float64(s.After)
		if !s.Warranted {
			brk = math.NaN()
		}
		n.numbers(t, c, map[string]float64{"strucchange_break": brk, "strucchange_h": float64(least)})
	})
	n.atLeast(t, 5*9+2+4)
}

func TestAutocorrelation(t *testing.T) {
	var n tally
	testlab.Checks(t, "autocorrelation", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "x")
		r, err := stats.Autocorrelation(x, in[int](t, c, "max_lag"))
		if err != nil {
			t.Fatal(err)
		}
		b, err := stats.BatchMeans(x, 0)
		if err != nil {
			t.Fatal(err)
		}
		_, sd, err := stats.MeanSD(x)
		if err != nil {
			t.Fatal(err)
		}
		n.list(t, c, "acf", r)
		n.numbers(
			t,
			c,
			map[string]float64{"ess_ar1": stats.EffectiveSizeAR1(len(x), r[0]), "batch_size": float64(b.Size),
				"batches": float64(b.N), "batch_means_se": b.SE, "iid_se": sd / math.Sqrt(float64(len(x)))},
		)
		wantInitialPositive(t, x)
	})
	n.atLeast(t, 9+4*10+5*5)
}

// wantInitialPositive computes the effective size from the coefficients one by one.
func wantInitialPositive(t *testing.T, x []float64) {
	t.Helper()
	r, err := stats.Autocorrelation(x, len(x)-1)
	if err != nil {
		t.Fatal(err)
	}
	r = append([]float64{1}, r...)
	sum := -1.0
	for k := 0; k+1 < len(r) && r[k]+r[k+1] > 0; k += 2 {
		sum += 2 * (r[k] + r[k+1])
	}
	want := math.Min(float64(len(x)), float64(len(x))/sum)
	got, err := stats.EffectiveSize(x)
	if err != nil || math.Abs(got-want) > 1e-9*want {
		t.Errorf("effective size %v, want %v (%v)", got, want, err)
	}
}

func TestFrameCap(t *testing.T) {
	var n tally
	testlab.Checks(t, "frame_cap", func(t *testing.T, c testlab.Case) {
		h := stats.HitsAt(in[[]float64](t, c, "x"), in[float64](t, c, "refresh_hz"), in[float64](t, c, "tol_rel"))
		n.numbers(t, c, map[string]float64{"n": float64(h.N), "at_1": float64(h.At[0]), "at_2": float64(h.At[1]),
			"share_at_1": h.Share(1), "share_at_1_or_2": h.Share(2), "share_faster_than_1": h.ShorterShare()})
	})
	n.atLeast(t, 2*6)
}

// TestNISTUnivariate compares with the certified values to nine significant digits or
// more. The sets NumAcc3 and NumAcc4 cannot give that for the standard deviation: their
// inputs, rounded to doubles, have another one already (3.5e-10 and 5.6e-9 relative).
func TestNISTUnivariate(t *testing.T) {
	var n tally
	testlab.Checks(t, "nist_univariate", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "x")
		m, sd, err := stats.MeanSD(x)
		if err != nil {
			t.Fatal(err)
		}
		r, err := stats.Autocorrelation(x, 1)
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{"n": float64(len(x)), "mean": m, "sd": sd, "lag1_autocorrelation": r[0]})
		digits := 9.0
		if c.ID == "nist_univariate/NumAcc4" {
			digits = 8
		}
		for key, got := range map[string]float64{"mean": m, "sd": sd, "lag1_autocorrelation": r[0]} {
			var want float64
			if err := json.Unmarshal(c.Expected[key], &want); err != nil {
				t.Fatal(err)
			}
			if want == 0 {
				continue // has no significant digits; the table's tolerance holds
			}
			if lre := -math.Log10(math.Abs(got-want) / math.Abs(want)); lre < digits {
				t.Errorf("%s: %s = %.17g agrees with %.17g to %.1f digits only", c.ID, key, got, want, lre)
			} else {
				t.Logf("%s: %.1f digits", key, lre)
			}
		}
	})
	n.atLeast(t, 9*4)
}

func TestBootstrapOfMean(t *testing.T) {
	var n tally
	testlab.Checks(t, "bootstrap_mean", func(t *testing.T, c testlab.Case) {
		x, conf := in[[]float64](t, c, "x"), in[float64](t, c, "conf")
		b, err := stats.Resample(x, plainMean, stats.Draws{N: 1 << 20, Confidence: conf})
		if err != nil {
			t.Fatal(err)
		}
		if !b.Complete {
			t.Fatalf("%s: not all resamples were taken", c.ID)
		}
		n.numbers(t, c, map[string]float64{"n_resamples": float64(b.Resamples), "theta": b.Value, "se": b.SE,
			"percentile_lo": b.Low, "percentile_hi": b.High, "z0": b.Z0, "accel": b.Accel,
			"alpha1": b.LevelLow, "alpha2": b.LevelHigh, "bca_lo": b.BCaLow, "bca_hi": b.BCaHigh})
		wantRandomNear(t, c, x, b)
	})
	n.atLeast(t, 3*11)
}

// wantRandomNear draws by chance what was enumerated: se within 3/sqrt(2B).
func wantRandomNear(t *testing.T, c testlab.Case, x []float64, all stats.Bootstrap) {
	t.Helper()
	const draws = 20000
	one := func(m []float64) float64 { return plainMean(m) }
	// Blocks of one value are single values; Resample would enumerate again.
	b, err := stats.ResampleBlocks(x, 1, one, stats.Draws{N: draws, Seed: 7, Confidence: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(b.SE-all.SE) > 3/math.Sqrt(2*draws)*all.SE || math.Abs(b.Value-all.Value) > 1e-12*all.Value {
		t.Errorf("%s: standard error %v by chance, %v over all resamples", c.ID, b.SE, all.SE)
	}
}

func plainMean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func TestBootstrapOfVariance(t *testing.T) {
	variance := func(x []float64) float64 {
		m, sum := plainMean(x), 0.0
		for _, v := range x {
			sum += (v - m) * (v - m)
		}
		return sum / float64(len(x))
	}
	var n tally
	testlab.Checks(t, "bootstrap_variance", func(t *testing.T, c testlab.Case) {
		b, err := stats.Resample(
			in[[]float64](t, c, "x"),
			variance,
			stats.Draws{N: 200000, Seed: 1, Confidence: in[float64](t, c, "conf")},
		)
		if err != nil {
			t.Fatal(err)
		}
		n.numbers(t, c, map[string]float64{"theta": b.Value, "accel": b.Accel, "z0": b.Z0,
			"percentile_lo": b.Low, "percentile_hi": b.High, "bca_lo": b.BCaLow, "bca_hi": b.BCaHigh})
	})
	n.atLeast(t, 2+5)
}

func TestBootstrapOfGroups(t *testing.T) {
	const draws = 20000
	grand := func(groups [][]float64) float64 {
		sum := 0.0
		for _, g := range groups {
			sum += plainMean(g)
		}
		return sum / float64(len(groups))
	}
	compared := 0
	testlab.Checks(t, "hierarchical_bootstrap", func(t *testing.T, c testlab.Case) {
		d := stats.Draws{N: draws, Seed: 3, Confidence: 0.95}
		b, err := stats.ResampleGroups(in[[][]float64](t, c, "groups"), 1, grand, d)
		if err != nil {
			t.Fatal(err)
		}
		c.Want(t, "mean", b.Value)
		var se float64
		if err := json.Unmarshal(c.Expected["se"], &se); err != nil {
			t.Fatal(err)
		}
		compared += 2
		// The closed form holds for endless resampling; the tolerance is the table's own.
		if math.Abs(b.SE-se) > 3/math.Sqrt(2*draws)*se {
			t.Errorf("%s: standard error %v, want %v (%s)", c.ID, b.SE, se, c.Source)
		}
		again, err := stats.ResampleGroups(in[[][]float64](t, c, "groups"), 1, grand, d)
		if err != nil || again.SE != b.SE || again.Low != b.Low || again.High != b.High {
			t.Errorf("%s: another result from the same seed: %+v, %+v", c.ID, again, b)
		}
	})
	if compared < 2 {
		t.Errorf("only %d numbers were compared", compared)
	}
}

// TestFrameEdges runs the border cases of these functions; TestCompareEdges has the rest.
func TestFrameEdges(t *testing.T) {
	ran := 0
	testlab.Checks(t, "edge_cases", func(t *testing.T, c testlab.Case) {
		run, ok := frameEdges[in[string](t, c, "function")]
		if !ok {
			return
		}
		ran++
		got, warnings, err := run(t, c)
		if raw, ok := c.Expected["error"]; ok {
			if want := frameEdgeErrors[string(raw)]; want == nil || !errors.Is(err, want) {
				t.Errorf("%s: %v, want %v", c.ID, err, want)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"reason", "flag"} {
			if raw, ok := c.Expected[key]; ok && !slices.Contains(warnings, frameEdgeWarnings[string(raw)]) {
				t.Errorf("%s: warnings %q, want %s", c.ID, warnings, raw)
			}
		}
		for key, v := range got {
			if _, ok := c.Expected[key]; ok {
				c.Want(t, key, v)
			}
		}
	})
	if ran < 10 && testlab.OwnChecks() {
		t.Errorf("only %d border cases ran, want 10", ran)
	}
}

var frameEdgeErrors = map[string]error{`"empty"`: stats.ErrNoValues, `"not_finite"`: stats.ErrNonFinite,
	`"p_out_of_range"`: stats.ErrProbability, `"negative"`: stats.ErrNegative}

var frameEdgeWarnings = map[string]stats.Warning{
	`"zero_length_frames"`:    stats.ZeroFrames,
	`"tail_below_ten_frames"`: stats.ThinTail,
	`"too_few"`:               stats.TooFew,
	`"zero_mad"`:              stats.ZeroMAD,
}

// holes reads a list in which null stands for a value that is not a number.
func holes(t *testing.T, c testlab.Case, key string) []float64 {
	t.Helper()
	x := []float64{}
	for _, v := range in[[]*float64](t, c, key) {
		if v == nil {
			x = append(x, math.NaN())
		} else {
			x = append(x, *v)
		}
	}
	return x
}

var frameEdges = map[string]edge{
	"quantile": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		_, err := stats.Quantile(holes(t, c, "x"), in[float64](t, c, "p"), 7)
		return nil, nil, err
	},
	"frame_rate": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		r, err := stats.AverageRate(holes(t, c, "frame_ms"))
		return map[string]float64{"avg_fps": r.FPS, "zero_length_frames": float64(r.ZeroFrames)}, r.Warnings, err
	},
	"low_rate_count": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		p := in[[]int](t, c, "p")
		l, err := stats.LowRate(slices.Repeat([]float64{10}, in[int](t, c, "n")), p[0], p[1])
		return map[string]float64{"k": float64(l.K)}, l.Warnings, err
	},
	"mann_kendall": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		k, err := stats.MannKendall(in[[]float64](t, c, "x"))
		return nil, k.Warnings, err
	},
	"mad_flags": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		s, err := stats.FarFromMedian(in[[]float64](t, c, "x"), 3)
		return map[string]float64{"mad": s.MAD}, s.Warnings, err
	},
}

// Quantiles of every type stay in the sample and rise with p.
func TestQuantileProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 200).Draw(t, "x")
		kind := rapid.IntRange(1, 9).Draw(t, "kind")
		p, q := rapid.Float64Range(0, 1).Draw(t, "p"), rapid.Float64Range(0, 1).Draw(t, "q")
		a, err1 := stats.Quantile(x, min(p, q), kind)
		b, err2 := stats.Quantile(x, max(p, q), kind)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if a < slices.Min(x) || b > slices.Max(x) || a > b+1e-9*math.Abs(b) {
			t.Errorf("type %d: %v at %v, %v at %v of %v", kind, a, min(p, q), b, max(p, q), x)
		}
	})
}

// S by counting pairs, a line's slope, and the order of low rates.
func TestFrameProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Map(rapid.IntRange(1, 400), func(i int) float64 { return float64(i) / 8 }), 3, 120).
			Draw(t, "x")
		k, err := stats.MannKendall(x)
		if err != nil {
			t.Fatal(err)
		}
		s := 0.0
		for i := range x {
			for j := range i {
				switch {
				case x[i] > x[j]:
					s++
				case x[i] < x[j]:
					s--
				}
			}
		}
		if k.S != s || !(k.P >= 0 && k.P <= 1) {
			t.Errorf("S = %v, counted %v; p = %v", k.S, s, k.P)
		}
		l, err := stats.LowRate(x, 1, rapid.IntRange(2, 300).Draw(t, "den"))
		if err != nil {
			t.Fatal(err)
		}
		atK := 1000 / slices.Sorted(slices.Values(x))[len(x)-l.K]
		if l.CountFPS > atK*(1+1e-12) || l.TimeFPS > atK || atK > l.PercentileFPS*(1+1e-12) {
			t.Errorf("order of the low rates: %+v, 1000/d_K = %v", l, atK)
		}
		size, err := stats.EffectiveSize(x)
		if err != nil || !(size >= 1 && size <= float64(len(x))) {
			t.Errorf("effective size %v of %d (%v)", size, len(x), err)
		}
	})
}

// The block bootstrap gives a correlated series a wider standard error than one that
// takes its values for independent, near what batch means say.
func TestBlocksKeepCorrelation(t *testing.T) {
	x := make([]float64, 4000)
	state := uint64(88172645463325252)
	for i := 1; i < len(x); i++ {
		state ^= state << 13
		state ^= state >> 7
		state ^= state << 17
		x[i] = 0.8*x[i-1] + float64(state>>11)/(1<<53) - 0.5
	}
	d := stats.Draws{N: 2000, Seed: 1, Confidence: 0.95}
	single, err := stats.ResampleBlocks(x, 1, plainMean, d)
	if err != nil {
		t.Fatal(err)
	}
	block, err := stats.ResampleBlocks(x, 0, plainMean, d)
	if err != nil {
		t.Fatal(err)
	}
	// True ratio for a first-order coefficient of 0.8: sqrt(1.8/0.2) = 3.
	if r := block.SE / single.SE; r < 2.3 || r > 3.5 {
		t.Errorf("standard errors %v with blocks and %v without: ratio %v, want about 3", block.SE, single.SE, r)
	}
	batches, err := stats.BatchMeans(x, 0)
	if err != nil || math.Abs(batches.SE/block.SE-1) > 0.35 {
		t.Errorf("batch means %v, blocks %v (%v)", batches.SE, block.SE, err)
	}
}
