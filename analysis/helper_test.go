package analysis_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"capd.example/record"
)

// passes builds passes of one cell with the given average rates; the 1% low is 0.7 of it.
func passes(cell map[string]string, rates ...float64) []record.Pass {
	var out []record.Pass
	for i, r := range rates {
		p := record.Pass{Bench: "bench 1", System: "s1", Verdict: record.Clean, Tags: record.Tags{},
			Metrics: record.Metrics{Frames: 6000, DurationS: 60, AvgFPS: r, Low1FPS: 0.7 * r, Low01FPS: 0.5 * r, Low1TimeFPS: 0.72 * r,
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

func cell(cpu, gpu, game, resolution string) map[string]string {
	return map[string]string{"cpu": cpu, "gpu": gpu, "game": game, "scene": "harbour", "resolution": resolution, "preset": "high"}
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*math.Max(1, math.Abs(want))) {
		t.Errorf("%s: got %.10g, want %.10g", what, got, want)
	}
}
