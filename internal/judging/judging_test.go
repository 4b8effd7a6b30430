package judging_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/config"
	"capd.example/internal/critical"
	"capd.example/internal/judging"
	"capd.example/plugins"
	"capd.example/plugins/agreement"
	"capd.example/record"
	"capd.example/stats"
	"capd.example/store"
)

// arrival is a pass of an invented game at the given rate.
func arrival(preset string, number int, rate float64) store.Arrival {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %d", preset, number))
	hash := hex.EncodeToString(sum[:])
	started := time.Date(2026, 5, 4, 10, 0, 0, 0, time.UTC).Add(time.Duration(number) * time.Minute)
	tags := record.Tags{}
	for name, value := range map[string]string{"cpu": "Onyx 8", "gpu": "Slate 70", "game": "Glass Halyard", "resolution": "2560x1440", "preset": preset} {
		tags[name] = record.Tag{Value: value, From: record.FromPath}
	}
	return store.Arrival{
		Pass: record.Pass{
			ID: record.PassID(hash), SHA256: hash, Bench: "bench 1", Log: preset + ".csv", Tags: tags, System: "s1",
			StartedAt: started, EndedAt: started.Add(time.Minute), LogAt: started.Add(time.Minute),
			Metrics: record.Metrics{Frames: 6000, DurationS: 60, AvgFPS: rate, Low1FPS: 0.7 * rate, Low01FPS: 0.5 * rate,
				Low1TimeFPS: 0.7 * rate, P99FPS: 0.8 * rate, MedianMS: 1000 / rate, P95MS: 1200 / rate, P99MS: 1250 / rate, P999MS: 2000 / rate, MaxMS: 2500 / rate},
		},
		Frames: record.Frames{MS: []float64{1000 / rate}, Decimals: -1}, System: record.System{ID: "s1"},
	}
}

// What the store holds of other cells decides how far the passes of a cell may differ.
func TestSpreadReachesTheAgreementCheck(t *testing.T) {
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var sd, df []float64
	number := 0
	keep := func(a store.Arrival) record.Pass {
		number++
		saved, err := s.Save(ctx, a)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Finish(ctx, saved.ID, nil, record.Clean); err != nil {
			t.Fatal(err)
		}
		p, err := s.Pass(ctx, saved.ID)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	for i := range 6 {
		spread := 0.002 + 0.0002*float64(i)
		for k := -1; k <= 1; k++ {
			keep(arrival(fmt.Sprint("preset ", i), number, 100*math.Exp(spread*float64(k))))
		}
		sd, df = append(sd, spread), append(df, 2)
	}
	for i := range 6 { // another campaign repeats far worse: it must not count
		for k := -1; k <= 1; k++ {
			a := arrival(fmt.Sprint("preset ", i), number, 100*math.Exp(0.04*float64(k)))
			a.Pass.Tags[record.TagCampaign] = record.Tag{Value: "last year", From: record.FromPlan}
			keep(a)
		}
	}
	first := keep(arrival("high", number, 90))
	second := keep(arrival("high", number, 92)) // 2.2 % more: within the stated limit, far outside what repeats
	keep(arrival("preset 0", number, 150))      // later: must not count

	got, err := judging.Spread(s, record.CellFactors)(ctx, second)
	if err != nil {
		t.Fatal(err)
	}
	want, degrees := stats.PoolSD(sd, df)
	if g := got["avg_fps"]; math.Abs(g.SD-want) > 1e-9 || g.DF != degrees {
		t.Fatalf("spread %+v, want %v with %v degrees of freedom", got["avg_fps"], want, degrees)
	}
	e := record.Evidence{Pass: second, Earlier: []record.Earlier{{Pass: first}}}
	if f := plugins.Run(ctx, agreement.Validator{}, e, nil); f.Outcome != record.OK || !strings.Contains(f.Reason, "too few passes so far") {
		t.Errorf("without history: %+v", f)
	}
	e.Spread = got
	if f := plugins.Run(ctx, agreement.Validator{}, e, nil); f.Outcome != record.Doubtful || !strings.Contains(f.Reason, "is the most that is normal") {
		t.Errorf("with history: %+v", f)
	}
}

// The agent's check and the averages judge the same passes alike, in the same words.
func TestCheckAndCellsAgree(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	pass := func(preset string, number int, rate, noise float64) record.Pass {
		p := arrival(preset, number, rate).Pass
		p.Verdict = record.Clean
		p.Metrics.AvgFPS *= math.Exp(noise * rng.NormFloat64())
		p.Metrics.Low1FPS *= math.Exp(8 * noise * rng.NormFloat64())
		p.Metrics.Hitches = rng.IntN(4)
		p.Metrics.Low1Sparse = rng.IntN(5) == 0
		return p
	}
	var apart, pooled int
	for round := range 200 {
		number := 0
		var history []record.Pass
		for i := range round % 6 {
			for range 3 {
				number++
				history = append(history, pass(fmt.Sprint("preset ", i), number, 100, 0.01))
			}
		}
		var own []record.Pass
		for range 3 {
			number++
			own = append(own, pass("high", number, 90, []float64{0.002, 0.015, 0.05}[round%3]))
		}
		all := append(history, own...)
		last := own[2]
		e := record.Evidence{Pass: last, Earlier: []record.Earlier{{Pass: own[0]}, {Pass: own[1]}}, Spread: analysis.Repeatability(last, all[:len(all)-1], analysis.Options{})}
		check := plugins.Run(context.Background(), agreement.Validator{}, e, nil)
		for _, c := range analysis.Cells(all, analysis.Options{}) {
			if c.Factors[record.TagPreset] != "high" {
				continue
			}
			outcome := check.Outcome // the worst of any pass's
			set := make([]critical.Pass, len(own))
			for i, p := range own {
				set[i] = critical.PassOf(p)
			}
			for _, f := range critical.Default.Verdicts(set, e.Spread, nil) {
				if f.Outcome == record.Doubtful {
					outcome = f.Outcome
				}
			}
			limit, has := check.Numbers["low1_limit_percent"] // none where its average stands apart
			if c.Agree.Outcome != outcome || has && c.Agree.Numbers["low1_limit_percent"] != limit || c.Agree.Numbers["avg_range_percent"] != check.Numbers["avg_range_percent"] {
				t.Fatalf("round %d: the check says %+v\nthe cell says %+v", round, check, c.Agree)
			}
			if outcome == record.Doubtful {
				apart++
			}
			if check.Numbers["avg_df"] > 0 {
				pooled++
			}
		}
	}
	if apart < 20 || pooled < 20 {
		t.Errorf("only %d sets apart and %d judged by history: the rounds are too alike", apart, pooled)
	}
}

// What the agent spends on it after each pass, with more passes stored than are looked at.
func BenchmarkSpread(b *testing.B) {
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(b.TempDir(), "lab.db"), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	var last store.Arrival
	for i := range 600 {
		card, preset := i/36, i/3%12 // twelve settings on each card, three passes each
		last = arrival(fmt.Sprint("preset ", preset), i, (60+10*float64(card))/(1+0.1*float64(preset))+0.3*float64(i%3))
		last.Pass.Tags["gpu"] = record.Tag{Value: fmt.Sprint("Slate ", card), From: record.FromPath}
		saved, err := s.Save(ctx, last)
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean); err != nil {
			b.Fatal(err)
		}
	}
	spread := judging.Spread(s, record.CellFactors)
	for b.Loop() {
		if _, err := spread(ctx, last.Pass); err != nil {
			b.Fatal(err)
		}
	}
}

func TestPrefer(t *testing.T) {
	of := judging.Expect(config.Expect{DurationS: 60, ToleranceS: 2, Passes: 3, RefreshHz: []float64{144}})
	got := judging.Prefer(record.Expectation{DurationS: 90, From: "campaign"}, of)
	if got.DurationS != 90 || got.ToleranceS != 2 || got.Passes != 3 || got.From != "campaign" || len(got.RefreshHz) != 1 {
		t.Errorf("%+v", got)
	}
}
