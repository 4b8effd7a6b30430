package critical_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/critical"
	"capd.example/internal/testlab"
	figures "capd.example/metrics"
	"capd.example/record"
	"capd.example/stats"
)

// tailed draws the frame times of a pass.
type tailed func(rng *rand.Rand, frames int) []float64

// spiked draws lognormal frame times with autocorrelation 0.6, of which a share takes two to
// four times as long: the model bench by which noise of 1% lows is known, see docs/metrics.md.
func spiked(share float64) tailed {
	return func(rng *rand.Rand, frames int) []float64 {
		out := make([]float64, frames)
		state := rng.NormFloat64()
		for i := range out {
			state = 0.6*state + 0.8*rng.NormFloat64()
			out[i] = 10 * math.Exp(0.08*state)
			if rng.Float64() < share {
				out[i] *= 2 + 2*rng.Float64()
			}
		}
		return out
	}
}

// resampled draws blocks of a recorded pass, so that its hitches stay as they are.
func resampled(ms []float64) tailed {
	const block = 25
	return func(rng *rand.Rand, frames int) []float64 {
		out := make([]float64, 0, frames+block)
		for len(out) < frames {
			at := rng.IntN(len(ms) - block)
			out = append(out, ms[at:at+block]...)
		}
		return out[:frames]
	}
}

// recorded reads the frame times of clean recorded passes.
func recorded(t *testing.T) map[string]tailed {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(testlab.Root(), "testdata", "real-passes", "*.clean.pass1.csv"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no recorded passes: %v", err)
	}
	matrix, err := filepath.Glob(filepath.Join(testlab.Root(), "testdata", "gpu-matrix", "*.pass1.csv"))
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]tailed{}
	for _, file := range append(files, matrix...) {
		r, _, err := framelog.ReadFile(file, framelog.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Frames.MS) > 500 {
			out[filepath.Base(file)] = resampled(r.Frames.MS)
		}
	}
	return out
}

// doubtfulCells returns the per cent of clean cells of three passes whose 1% lows do not
// agree, with and without eight other cells that tell how well passes repeat.
func doubtfulCells(t *testing.T, draw tailed, frames, rounds int, seed uint64) (history, alone float64) {
	rng := rand.New(rand.NewPCG(seed, uint64(frames)))
	cell := func() (out []critical.Pass, sd float64) {
		var ln []float64
		var all []record.Metrics
		for range 3 {
			m, err := figures.Compute(record.Frames{MS: draw(rng, frames), Decimals: -1})
			if err != nil {
				t.Fatal(err)
			}
			all, ln = append(all, m), append(ln, math.Log(m.Low1FPS))
		}
		s, _ := stats.PoolSD([]float64{sdOf(ln)}, []float64{2})
		return set(all...), s
	}
	for range rounds {
		var sds, dfs []float64
		for range 8 {
			_, sd := cell()
			sds, dfs = append(sds, sd), append(dfs, 2)
		}
		s, df := stats.PoolSD(sds, dfs)
		passes, _ := cell()
		for i, spread := range []map[string]record.Spread{{critical.Low1: {SD: s, DF: df, From: "x"}}, nil} {
			if f := critical.Default.Compare(passes, spread)[1]; f.Unable == "" && !f.Accepted {
				*[]*float64{&history, &alone}[i] += 100 / float64(rounds)
			}
		}
	}
	return history, alone
}

func sdOf(x []float64) float64 {
	mean, square := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		square += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return math.Sqrt(square)
}

// At most one per cent of the clean cells is doubtful for its 1% lows, whatever the length
// of the passes: invented tails, and recorded ones of which those of scene-a and scene-c are
// the heaviest.
func TestTailsOfCleanCells(t *testing.T) {
	sources, rounds, lengths := recorded(t), 60, []int{1200, 6000}
	if testlab.Long(t) {
		rounds, lengths = 600, []int{1200, 2400, 6000}
	} else {
		maps.DeleteFunc(sources, func(name string, _ tailed) bool { return !strings.HasPrefix(name, "scene-c") })
	}
	for name, share := range map[string]float64{"0.2 % of the frames long": 0.002, "2 % of the frames long": 0.02} {
		sources[name] = spiked(share)
	}
	most := 1 + 300*math.Sqrt(0.01*0.99/float64(rounds)) // and three standard errors
	for name, draw := range sources {
		for _, frames := range lengths {
			history, alone := doubtfulCells(t, draw, frames, rounds, 1)
			if history > most || alone > most {
				t.Errorf("%s, %d frames: %.2f %% of the clean cells are doubtful with history, %.2f %% without", name, frames, history, alone)
			}
			t.Logf("%s, %d frames: %.2f %% with history, %.2f %% without", name, frames, history, alone)
		}
	}
}
