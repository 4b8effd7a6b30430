package testlab

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"capd.example/record"
)

// Cell returns the levels of a cell of an invented matrix.
func Cell(cpu, gpu, game, resolution string) map[string]string {
	return map[string]string{
		"cpu": cpu, "gpu": gpu, "game": game, "scene": "terrace", "resolution": resolution, "preset": "high",
	}
}

// Passes builds passes of one cell with the given average rates; the 1% low is 0.7 of it.
func Passes(cell map[string]string, rates ...float64) []record.Pass {
	var out []record.Pass
	for i, r := range rates {
		p := record.Pass{Bench: "bench 1", System: "s1", Verdict: record.Clean, Tags: record.Tags{},
			Metrics: record.Metrics{
				Frames: 6000, DurationS: 60, AvgFPS: r, Low1FPS: 0.7 * r, Low01FPS: 0.5 * r, Low1TimeFPS: 0.72 * r,
				P99FPS: 0.75 * r, MedianMS: 1000 / r, P95MS: 1200 / r, P99MS: 1000 / (0.75 * r), P999MS: 1600 / r}}
		key := fmt.Sprint(i)
		for _, f := range record.CellFactors {
			if v := cell[f]; v != "" {
				p.Tags[f] = record.Tag{Value: v, From: record.FromPath}
			}
			key += "/" + cell[f]
		}
		p.Tags[record.TagPass] = record.Tag{Value: fmt.Sprint(i + 1), From: record.FromPath}
		p.ID = key
		p.SHA256 = "sha-" + key
		p.StartedAt = time.Date(2026, 3, 1, 10, i, 0, 0, time.UTC)
		out = append(out, p)
	}
	return out
}

// Noisy returns a rate with lognormal noise of a standard deviation of ln rate.
func Noisy(r *rand.Rand, rate, sd float64) float64 { return rate * math.Exp(sd*r.NormFloat64()) }

// Near fails the test unless got is want within tol, relative from 1 on.
func Near(t testing.TB, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}

// Rounds is the number of simulated rounds: that of SIM_ROUNDS, for figures that docs state, else
// short or, with CAPD_LONG, long.
func Rounds(t testing.TB, short, long int) int {
	t.Helper()
	if v, err := strconv.Atoi(os.Getenv("SIM_ROUNDS")); err == nil && v > 0 {
		return v
	}
	if Long(t) {
		return long
	}
	return short
}

// Rand returns the source of a simulation; SIM_SEED moves it to worlds that nothing was tuned on.
func Rand(a, b uint64) *rand.Rand {
	v, _ := strconv.ParseUint(os.Getenv("SIM_SEED"), 10, 64)
	return rand.New(rand.NewPCG(a+v, b))
}

// Alike simulates passes of twelve cells of equal true rate 100 but for the last, with lognormal
// noise of passes.
func Alike(r *rand.Rand, noise, last float64) []record.Pass {
	var all []record.Pass
	for g := 0; g < 12; g++ {
		rate := 100.0
		if g == 11 {
			rate = last
		}
		of := Cell("P1", fmt.Sprintf("G%02d", g), "L", "1")
		all = append(all, Passes(of, Noisy(r, rate, noise), Noisy(r, rate, noise), Noisy(r, rate, noise))...)
	}
	return all
}
