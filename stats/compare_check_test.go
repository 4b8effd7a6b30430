package stats_test

import (
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/stats"
)

func in[T any](t *testing.T, c testlab.Case, key string) T {
	t.Helper()
	var v T
	c.In(t, key, &v)
	return v
}

// wantAll compares those expected numbers that got names, at least one, and demands that
// an expected null is NaN.
func wantAll(t *testing.T, c testlab.Case, got map[string]float64) {
	t.Helper()
	n := 0
	for key, v := range got {
		raw, ok := c.Expected[key]
		if !ok {
			continue
		}
		n++
		if string(raw) == "null" {
			if !math.IsNaN(v) {
				t.Errorf("%s: %s = %v, want undefined", c.ID, key, v)
			}
			continue
		}
		c.Want(t, key, v)
	}
	if n == 0 {
		t.Fatalf("%s: nothing was compared", c.ID)
	}
}

// wantList compares a list element by element; null is NaN.
func wantList(t *testing.T, c testlab.Case, key string, got []float64) {
	t.Helper()
	var want []*float64
	if err := json.Unmarshal(c.Expected[key], &want); err != nil {
		t.Fatalf("%s: %s: %v", c.ID, key, err)
	}
	if len(want) != len(got) {
		t.Fatalf("%s: %s has %d values, want %d", c.ID, key, len(got), len(want))
	}
	for i, w := range want {
		if w == nil {
			if !math.IsNaN(got[i]) {
				t.Errorf("%s: %s[%d] = %v, want undefined", c.ID, key, i, got[i])
			}
		} else if !c.Near(got[i], *w) {
			t.Errorf("%s: %s[%d] = %.15g, want %.15g", c.ID, key, i, got[i], *w)
		}
	}
}

func wantBool(t *testing.T, c testlab.Case, key string, got bool) {
	t.Helper()
	var want bool
	if err := json.Unmarshal(c.Expected[key], &want); err != nil {
		t.Fatalf("%s: %s: %v", c.ID, key, err)
	}
	if got != want {
		t.Errorf("%s: %s = %v, want %v", c.ID, key, got, want)
	}
}

func TestCriticalRange(t *testing.T) {
	testlab.Checks(t, "critical_range", func(t *testing.T, c testlab.Case) {
		var f []float64
		for _, n := range in[[]int](t, c, "n") {
			v := stats.CriticalRangeFactor(n)
			if strings.Contains(c.ID, "one_decimal") {
				v = math.Round(10*v) / 10
			}
			f = append(f, v)
		}
		wantList(t, c, "f", f)
	})
}

func TestStudentizedRange(t *testing.T) {
	testlab.Checks(t, "studentized_range", func(t *testing.T, c testlab.Case) {
		k, p := in[[]int](t, c, "k"), in[[]float64](t, c, "p")
		var df []any
		c.In(t, "df", &df)
		var q []float64
		for i := range k {
			v, ok := df[i].(float64)
			if !ok {
				v = math.Inf(1)
			}
			q = append(q, stats.StudentizedRange(p[i], k[i], v))
		}
		wantList(t, c, "q", q)
	})
}

func TestTQuantile(t *testing.T) {
	testlab.Checks(t, "t_quantile", func(t *testing.T, c testlab.Case) {
		df, p := in[[]float64](t, c, "df"), in[[]float64](t, c, "p")
		var q []float64
		for i := range df {
			q = append(q, stats.TQuantile(p[i], df[i]))
		}
		wantList(t, c, "t", q)
	})
}

func TestAcceptability(t *testing.T) {
	testlab.Checks(t, "acceptability", func(t *testing.T, c testlab.Case) {
		y := in[[]float64](t, c, "y")
		f := math.Round(10*stats.CriticalRangeFactor(len(y))) / 10
		a, err := stats.Agree(y, f*in[float64](t, c, "sigma_r"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"n": float64(a.N), "range": a.Range, "factor_one_decimal": f,
			"critical_range": a.Limit, "mean": a.Mean, "median": a.Median, "final_if_no_more_results": a.Final})
		wantBool(t, c, "acceptable", a.Accepted)
	})
}

func TestGrubbsCritical(t *testing.T) {
	testlab.Checks(t, "grubbs_critical", func(t *testing.T, c testlab.Case) {
		var g, alpha []float64
		n := in[[]int](t, c, "n")
		if json.Unmarshal(c.Input["alpha"], &alpha) != nil {
			alpha = []float64{in[float64](t, c, "alpha")}
		}
		for i := range n {
			g = append(g, stats.GrubbsCritical(n[i], alpha[min(i, len(alpha)-1)], in[int](t, c, "sided")))
		}
		wantList(t, c, "G", g)
	})
}

func TestDixonCritical(t *testing.T) {
	testlab.Checks(t, "dixon_critical", func(t *testing.T, c testlab.Case) {
		if !c.Has("r10") {
			t.Fatalf("%s: unknown form", c.ID)
		}
		var r []float64
		for _, n := range in[[]int](t, c, "n") {
			r = append(r, stats.DixonCritical(n, in[float64](t, c, "alpha"), in[int](t, c, "sided")))
		}
		wantList(t, c, "r10", r)
	})
}

func TestOutliers(t *testing.T) {
	testlab.Checks(t, "outlier_test", func(t *testing.T, c testlab.Case) {
		x := in[[]float64](t, c, "x")
		o, err := stats.Outliers(x, in[float64](t, c, "alpha"))
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := c.Expected["degenerate"]; ok {
			wantBool(t, c, "degenerate", !o.Defined)
			return
		}
		wantAll(t, c, map[string]float64{"suspect_index0": float64(o.Suspect), "G": o.G,
			"G_crit_two_sided": o.GCritical, "r10": o.R10, "r10_crit_two_sided": o.R10Crit})
		wantBool(t, c, "grubbs_outlier", o.GrubbsOutlier)
		if c.Has("dixon_outlier") {
			wantBool(t, c, "dixon_outlier", o.DixonOutlier)
		}
	})
}

func TestTInterval(t *testing.T) {
	testlab.Checks(t, "t_interval", func(t *testing.T, c testlab.Case) {
		e, err := stats.TInterval(in[[]float64](t, c, "x"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(
			t,
			c,
			map[string]float64{
				"n":    float64(e.N),
				"mean": e.Value,
				"sd":   e.SD,
				"se":   e.SE,
				"df":   e.DF,
				"lo":   e.Low,
				"hi":   e.High,
			},
		)
		if _, ok := c.Expected["degenerate"]; ok && len(e.Warnings) == 0 {
			t.Errorf("%s: zero spread is not flagged", c.ID)
		}
	})
}

func TestWelch(t *testing.T) {
	testlab.Checks(t, "welch", func(t *testing.T, c testlab.Case) {
		e, err := stats.Welch(in[[]float64](t, c, "a"), in[[]float64](t, c, "b"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(
			t,
			c,
			map[string]float64{"diff": e.Value, "se": e.SE, "t": e.T, "df": e.DF, "p": e.P, "lo": e.Low, "hi": e.High},
		)
	})
}

func TestLogRatio(t *testing.T) {
	testlab.Checks(t, "log_ratio", func(t *testing.T, c testlab.Case) {
		e, err := stats.LogRatio(in[[]float64](t, c, "a"), in[[]float64](t, c, "b"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"ratio": e.Value, "df": e.DF, "p": e.P, "lo": e.Low, "hi": e.High})
	})
}

func TestFieller(t *testing.T) {
	testlab.Checks(t, "fieller", func(t *testing.T, c testlab.Case) {
		f, err := stats.Fieller(in[[]float64](t, c, "a"), in[[]float64](t, c, "b"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"ratio": f.Ratio, "df": f.DF, "t": f.T, "g": f.G, "lo": f.Low, "hi": f.High})
		var shape string
		if err := json.Unmarshal(c.Expected["type"], &shape); err != nil {
			t.Fatal(err)
		}
		if f.Shape != shape {
			t.Errorf("%s: shape %q, want %q", c.ID, f.Shape, shape)
		}
	})
}

func TestTOST(t *testing.T) {
	testlab.Checks(t, "tost", func(t *testing.T, c testlab.Case) {
		a, b := in[[]float64](t, c, "a"), in[[]float64](t, c, "b")
		alpha := in[float64](t, c, "alpha")
		e, err := stats.TOST(a, b, in[float64](t, c, "margin_ratio"), alpha)
		if err != nil {
			t.Fatal(err)
		}
		r, err := stats.LogRatio(a, b, 1-2*alpha)
		if err != nil {
			t.Fatal(err)
		}
		wantAll(
			t,
			c,
			map[string]float64{"p_lower": e.PLower, "p_upper": e.PUpper, "p": e.P, "ci90_lo": r.Low, "ci90_hi": r.High},
		)
		wantBool(t, c, "equivalent", e.Equivalent)
	})
}

func TestHolm(t *testing.T) {
	testlab.Checks(t, "holm", func(t *testing.T, c testlab.Case) {
		wantList(t, c, "holm", stats.Holm(in[[]float64](t, c, "p")))
	})
}

func TestNestedVariance(t *testing.T) {
	testlab.Checks(t, "nested_variance", func(t *testing.T, c testlab.Case) {
		n, err := stats.NestedVariance(in[[][]float64](t, c, "groups"), in[float64](t, c, "conf"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"mean": n.Mean, "ms_between": n.MSBetween, "ms_within": n.MSWithin,
			"s2_within": n.S2Within, "s2_between": n.S2Between, "F": n.F, "p": n.P, "se_mean": n.SEMean, "lo": n.Low, "hi": n.High})
	})
}

func TestGeometricMean(t *testing.T) {
	testlab.Checks(t, "geometric_mean", func(t *testing.T, c testlab.Case) {
		switch {
		case c.Input["ratios"] != nil:
			var w []float64
			if c.Input["weights"] != nil {
				w = in[[]float64](t, c, "weights")
			}
			r := in[[]float64](t, c, "ratios")
			g, err := stats.GeometricMean(r, w, in[float64](t, c, "conf"))
			if err != nil {
				t.Fatal(err)
			}
			inverse := make([]float64, len(r))
			for i, v := range r {
				inverse[i] = 1 / v
			}
			back, err := stats.GeometricMean(inverse, w, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			wantAll(
				t,
				c,
				map[string]float64{"geomean": g.Value, "arithmetic_mean": g.Arithmetic, "harmonic_mean": g.Harmonic,
					"reciprocal_geomean": back.Value, "log_sd": g.LogSD, "geo_sd": math.Exp(g.LogSD), "lo": g.Low, "hi": g.High},
			)
		case c.Input["log_ratio"] != nil:
			e, err := stats.MeasuredGeometricMean(
				in[[]float64](t, c, "log_ratio"),
				in[[]float64](t, c, "se"),
				in[[]float64](t, c, "df"),
				nil,
				in[float64](t, c, "conf"),
			)
			if err != nil {
				t.Fatal(err)
			}
			wantAll(t, c, map[string]float64{"geomean": e.Value, "log_se": e.SE, "df": e.DF, "lo": e.Low, "hi": e.High})
		default:
			flemingWallace(t, c)
		}
	})
}

func flemingWallace(t *testing.T, c testlab.Case) {
	t.Helper()
	times := in[map[string][]float64](t, c, "times")
	got := map[string]float64{}
	for a, x := range times {
		for b, y := range times {
			var r []float64
			for i := range x {
				r = append(r, x[i]/y[i])
			}
			g, err := stats.GeometricMean(r, nil, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			got["geo_"+a+"_over_"+b], got["arith_"+a+"_over_"+b] = g.Value, g.Arithmetic
		}
	}
	wantAll(t, c, got)
}

func table(t *testing.T, c testlab.Case) [][]float64 {
	t.Helper()
	rows := in[[][]float64](t, c, "table")
	if c.Input["transform"] != nil {
		for _, r := range rows {
			for j := range r {
				r[j] = math.Log(r[j])
			}
		}
	}
	return rows
}

func wantTwoWay(t *testing.T, c testlab.Case, w stats.TwoWay) {
	t.Helper()
	wantList(t, c, "row", w.Row)
	wantList(t, c, "col", w.Col)
	var rows []json.RawMessage
	if c.Expected["resid"] == nil {
		return
	}
	if err := json.Unmarshal(c.Expected["resid"], &rows); err != nil {
		t.Fatal(err)
	}
	for i, raw := range rows {
		c.Expected["resid row"] = raw
		wantList(t, c, "resid row", w.Residual[i])
	}
}

func TestMedianPolish(t *testing.T) {
	testlab.Checks(t, "median_polish", func(t *testing.T, c testlab.Case) {
		w, err := stats.MedianPolish(table(t, c))
		if err != nil {
			t.Fatal(err)
		}
		c.Want(t, "overall", w.Overall)
		wantTwoWay(t, c, w)
	})
}

func TestFitAdditive(t *testing.T) {
	testlab.Checks(t, "two_way_additive", func(t *testing.T, c testlab.Case) {
		a, err := stats.FitAdditive(table(t, c))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"grand": a.Overall, "sse": a.SSE, "df_resid": a.DF, "tukey_ss": a.TukeySS,
			"tukey_F": a.TukeyF, "tukey_df2": a.TukeyDF2, "tukey_p": a.TukeyP})
		wantTwoWay(t, c, a.TwoWay)
	})
}

func TestSoftMin(t *testing.T) {
	testlab.Checks(t, "softmin", func(t *testing.T, c testlab.Case) {
		cpu, gpu := in[float64](t, c, "cpu"), in[float64](t, c, "gpu")
		v, share := stats.SoftMin(cpu, gpu, in[float64](t, c, "q"))
		wantAll(t, c, map[string]float64{"value": v, "hard_min": math.Min(cpu, gpu), "cpu_share": share})
	})
}

func softMinPoints(rows [][]float64) (p []stats.SoftMinPoint) {
	for i, r := range rows {
		for j, y := range r {
			p = append(p, stats.SoftMinPoint{C: i, G: j, Y: y})
		}
	}
	return p
}

// The parameters are loosely determined; the sum of squares is what the case demands.
func TestFitSoftMin(t *testing.T) {
	testlab.Checks(t, "softmin_fit", func(t *testing.T, c testlab.Case) {
		rows := table(t, c)
		f, err := stats.FitSoftMin(softMinPoints(rows), len(rows), len(rows[0]))
		if err != nil {
			t.Fatal(err)
		}
		var want float64
		if err := json.Unmarshal(c.Expected["rss_log"], &want); err != nil {
			t.Fatal(err)
		}
		if f.RSS > want*1.001 {
			t.Errorf("%s: rss %g, want at most %g", c.ID, f.RSS, want*1.001)
		}
		t.Logf("q %.4g, processors %.5g, cards %.5g", f.Q, f.C, f.G)
	})
}

func TestIsotonic(t *testing.T) {
	testlab.Checks(t, "isotonic", func(t *testing.T, c testlab.Case) {
		var w []float64
		if c.Input["w"] != nil {
			w = in[[]float64](t, c, "w")
		}
		fit, err := stats.Isotonic(in[[]float64](t, c, "y"), w)
		if err != nil {
			t.Fatal(err)
		}
		wantList(t, c, "fit", fit)
	})
}

func TestOneWay(t *testing.T) {
	testlab.Checks(t, "nist_anova", func(t *testing.T, c testlab.Case) {
		a, err := stats.OneWay(in[[][]float64](t, c, "groups"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"df_between": a.DFBetween, "df_within": a.DFWithin, "ss_between": a.SSBetween,
			"ss_within": a.SSWithin, "ms_between": a.MSBetween, "ms_within": a.MSWithin, "F": a.F, "r_squared": a.RSquared, "resid_sd": a.ResidualSD})
	})
}

func TestFitLine(t *testing.T) {
	testlab.Checks(t, "nist_linear", func(t *testing.T, c testlab.Case) {
		l, err := stats.FitLine(in[[]float64](t, c, "x"), in[[]float64](t, c, "y"))
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"intercept": l.Intercept, "slope": l.Slope, "se_intercept": l.SEIntercept,
			"se_slope": l.SESlope, "r_squared": l.RSquared, "resid_sd": l.ResidualSD})
	})
}

func TestSampleSize(t *testing.T) {
	testlab.Checks(t, "sample_size", func(t *testing.T, c testlab.Case) {
		d, s, a, p := in[float64](
			t,
			c,
			"delta",
		), in[float64](
			t,
			c,
			"sd",
		), in[float64](
			t,
			c,
			"sig",
		), in[float64](
			t,
			c,
			"power",
		)
		n, err := stats.SampleSize(d, s, a, p, false)
		if err != nil {
			t.Fatal(err)
		}
		pairs, err := stats.SampleSize(d, s, a, p, true)
		if err != nil {
			t.Fatal(err)
		}
		wantAll(t, c, map[string]float64{"n_per_group": n, "n_ceiling": math.Ceil(n), "n_pairs": pairs,
			"n_pairs_ceiling": math.Ceil(pairs), "power_at_ceiling": stats.Power(math.Ceil(n), d, s, a)})
	})
}

func TestPower(t *testing.T) {
	testlab.Checks(t, "power_at_n", func(t *testing.T, c testlab.Case) {
		c.Want(
			t,
			"power",
			stats.Power(
				in[float64](t, c, "n"),
				in[float64](t, c, "delta"),
				in[float64](t, c, "sd"),
				in[float64](t, c, "sig"),
			),
		)
	})
}

func TestStein(t *testing.T) {
	testlab.Checks(t, "stein_two_stage", func(t *testing.T, c testlab.Case) {
		n0, conf := in[int](t, c, "n0"), in[float64](t, c, "conf")
		n, raw, err := stats.Stein(in[float64](t, c, "s"), n0, in[float64](t, c, "half_width"), conf)
		if err != nil {
			t.Fatal(err)
		}
		wantAll(
			t,
			c,
			map[string]float64{"t": stats.TQuantile(0.5+conf/2, float64(n0-1)), "raw": raw, "n_total": float64(n)},
		)
	})
}

// TestCompareEdges runs the border cases of these functions; the rest belong to others.
func TestCompareEdges(t *testing.T) {
	ran := 0
	testlab.Checks(t, "edge_cases", func(t *testing.T, c testlab.Case) {
		fn := in[string](t, c, "function")
		run, ok := compareEdges[fn]
		if !ok {
			return
		}
		ran++
		got, warnings, err := run(t, c)
		if raw, ok := c.Expected["error"]; ok {
			if err == nil {
				t.Errorf("%s: no error, want %s", c.ID, raw)
			}
			if want := edgeErrors[string(raw)]; want != nil && !errors.Is(err, want) {
				t.Errorf("%s: %v, want %v", c.ID, err, want)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, key := range []string{"reason", "flag"} {
			if raw, ok := c.Expected[key]; ok && len(warnings) == 0 {
				t.Errorf("%s: no warning, want %s", c.ID, raw)
			}
		}
		if len(got) > 0 {
			wantAll(t, c, got)
		}
	})
	if ran < 12 && testlab.OwnChecks() {
		t.Errorf("only %d border cases ran", ran)
	}
}

var edgeErrors = map[string]error{`"empty"`: stats.ErrNoValues, `"nonpositive"`: stats.ErrNonPositive,
	`"zero_margin"`: stats.ErrZeroMargin, `"zero_difference"`: stats.ErrZeroDifference}

type edge func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error)

func estimateEdge(e stats.Estimate, err error) (map[string]float64, []stats.Warning, error) {
	return map[string]float64{
		"mean": e.Value,
		"diff": e.Value,
		"t":    e.T,
		"p":    e.P,
		"lo":   e.Low,
		"hi":   e.High,
	}, e.Warnings, err
}

func outlierEdge(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
	o, err := stats.Outliers(in[[]float64](t, c, "x"), 0.05)
	g := o.G
	if !o.Defined {
		g = math.NaN()
	}
	return map[string]float64{"G": g, "r10": o.R10}, o.Warnings, err
}

var compareEdges = map[string]edge{
	"t_interval": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		return estimateEdge(stats.TInterval(in[[]float64](t, c, "x"), 0.95))
	},
	"welch": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		return estimateEdge(stats.Welch(in[[]float64](t, c, "a"), in[[]float64](t, c, "b"), 0.95))
	},
	"log_ratio": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		return estimateEdge(stats.LogRatio(in[[]float64](t, c, "a"), in[[]float64](t, c, "b"), 0.95))
	},
	"grubbs": outlierEdge, "dixon": outlierEdge,
	"holm": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		wantList(t, c, "holm", stats.Holm(in[[]float64](t, c, "p")))
		return nil, nil, nil
	},
	"geomean": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		g, err := stats.GeometricMean(in[[]float64](t, c, "ratios"), nil, 0.95)
		return map[string]float64{"geomean": g.Value}, nil, err
	},
	"isotonic": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		fit, err := stats.Isotonic(in[[]float64](t, c, "y"), nil)
		wantList(t, c, "fit", fit)
		return nil, nil, err
	},
	"median_polish": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		w, err := stats.MedianPolish(in[[][]float64](t, c, "table"))
		wantTwoWay(t, c, w)
		return map[string]float64{"overall": w.Overall}, nil, err
	},
	"sample_size": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		n, err := stats.SampleSize(in[float64](t, c, "delta"), 1, 0.05, 0.8, false)
		return map[string]float64{"n_per_group": n}, nil, err
	},
	"tost": func(t *testing.T, c testlab.Case) (map[string]float64, []stats.Warning, error) {
		_, err := stats.TOST(
			in[[]float64](t, c, "a"),
			in[[]float64](t, c, "b"),
			in[float64](t, c, "margin_ratio"),
			0.05,
		)
		return nil, nil, err
	},
}
