package report_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"capd.example/analysis/compare"
	"capd.example/record"
	"capd.example/report"
	"capd.example/stats"
)

// campaign simulates a matrix of invented parts and games with three passes per cell.
func campaign(games, cpus, gpus, resolutions int) report.Input {
	r := rand.New(rand.NewPCG(1, 9))
	in := report.Input{Title: "Nine cards on four processors", At: time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC),
		Systems: map[string]record.System{}, RefreshHz: []float64{60, 144}, Pictures: 2}
	for c := range cpus {
		id := fmt.Sprintf("system%02d", c)
		in.Systems[id] = record.System{
			ID: id,
			Fields: []record.Field{{Name: record.FieldProcessorName, Value: cpuName(c), Source: "test"},
				{
					Name:  record.FieldMemorySpeed,
					Value: "6000",
					Unit:  "MT/s",
				}, {Name: "firmware.version", Unknown: record.Refused}},
		}
	}
	n := 0
	for g := range games {
		load := 1 + 0.3*float64(g)
		for k := range resolutions {
			for c := range cpus {
				for j := range gpus {
					ceiling := 260 * math.Pow(0.8, float64(cpus-1-c)) / load
					card := 330 * math.Pow(0.82, float64(gpus-1-j)) / load / math.Pow(1.6, float64(k))
					y, _ := stats.SoftMin(ceiling, card, 7)
					for pass := range 3 {
						n++
						in.Passes = append(in.Passes, aPass(r, n, g, k, c, j, pass, y))
					}
				}
			}
		}
	}
	for j := range gpus {
		in.Prices = append(
			in.Prices,
			compare.Price{Part: gpuName(j), Amount: 150 + 90*float64(j*j)/2, Currency: "EUR", Date: "2026-03-01"},
		)
	}
	ms := make([]float64, 6000)
	for i := range ms {
		ms[i] = 9 + r.NormFloat64()*0.6 + r.ExpFloat64()*0.5
		if i%1500 == 1499 {
			ms[i] = 34
		}
	}
	if len(in.Passes) > 0 {
		in.Traces = []report.Trace{{Pass: in.Passes[0], MS: ms}}
	}
	return in
}

func cpuName(i int) string { return fmt.Sprintf("Quillon %d00", i+3) }
func gpuName(i int) string { return fmt.Sprintf("Ember %d0", i+1) }

func aPass(r *rand.Rand, n, game, res, cpu, gpu, pass int, rate float64) record.Pass {
	y := rate * math.Exp(0.004*r.NormFloat64())
	low := 0.71 * rate * math.Exp(0.012*r.NormFloat64())
	tag := func(v string) record.Tag { return record.Tag{Value: v, From: record.FromPath} }
	sha := fmt.Sprintf("%012x%052x", n, n)
	return record.Pass{
		ID:        record.PassID(sha),
		SHA256:    sha,
		Bench:     "bench 1",
		System:    fmt.Sprintf("system%02d", cpu),
		Verdict:   record.Clean,
		Log:       fmt.Sprintf("logs/%d/%d.csv", game, n),
		StartedAt: time.Date(2026, 3, 1, 0, n, 0, 0, time.UTC),
		Tags: record.Tags{
			"game":  tag([]string{"Lantern Keep", "Salt Roads", "Nine Tides", "Orchard", "Glass Mile"}[game%5]),
			"scene": tag("halyard"),
			"cpu": tag(
				cpuName(cpu),
			),
			"gpu":        tag(gpuName(gpu)),
			"resolution": tag([]string{"1920x1080", "2560x1440", "3840x2160"}[res]),
			"preset":     tag("high"),
			"pass":       tag(fmt.Sprint(pass + 1)),
		},
		Metrics: record.Metrics{
			Frames:      int(60 * y),
			DurationS:   60,
			AvgFPS:      y,
			Low1FPS:     low,
			Low01FPS:    0.6 * low,
			Low1TimeFPS: 1.03 * low,
			P99FPS:      1.05 * low,
			MedianMS:    990 / y,
			P95MS:       1200 / y,
			P99MS:       1000 / (1.05 * low),
			P999MS:      1500 / low,
		},
		Findings: []record.Finding{
			{Check: "completeness", Outcome: record.OK, Reason: "60.0 of 60 s"},
			{Check: "thermal", Outcome: record.NotChecked, Reason: "no temperature was read"},
		},
	}
}
