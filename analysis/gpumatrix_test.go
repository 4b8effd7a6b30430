package analysis_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
)

// realMatrix reads the recorded logs of testdata/gpu-matrix as the agent does.
func realMatrix(t testing.TB) []record.Pass {
	t.Helper()
	logs, err := filepath.Glob(filepath.Join(testlab.Root(), "testdata", "gpu-matrix", "game-a.*.csv"))
	if err != nil || len(logs) != 36 {
		t.Fatalf("%d logs, %v", len(logs), err)
	}
	var out []record.Pass
	for i, path := range logs {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		reading, err := framelog.Read(path, data, framelog.Options{})
		if err != nil {
			t.Fatal(err)
		}
		m, err := metrics.Compute(reading.Frames)
		if err != nil {
			t.Fatal(err)
		}
		part := strings.Split(filepath.Base(path), ".")
		tags := record.Tags{"game": {Value: part[0]}, "cpu": {Value: part[1]}, "gpu": {Value: part[2]}, "scene": {Value: "loop"},
			"resolution": {Value: "1920x1080"}, "preset": {Value: "high"}, "pass": {Value: strings.TrimPrefix(part[3], "pass")}}
		out = append(out, record.Pass{ID: fmt.Sprintf("%012d", i), Bench: "bench 1", System: "s", Verdict: record.Clean, Tags: tags, Metrics: m,
			StartedAt: time.Date(2026, 3, 1, 10, i, 0, 0, time.UTC)})
	}
	return out
}

// testdata/gpu-matrix/README.md: column g4, and c1 and c2 in g3, are bound by the card;
// column g1 by the processor; card-bound cells repeat to 0.02 %.
func TestRealMatrixLimits(t *testing.T) {
	cells := analysis.Cells(realMatrix(t), analysis.Options{})
	limits, models := limit.Limits(cells, nil, analysis.Options{})
	want := map[string]analysis.Regime{"c1 g4": "graphics", "c2 g4": "graphics", "c3 g4": "graphics", "c1 g3": "graphics", "c2 g3": "graphics",
		"c1 g1": "processor", "c2 g1": "processor", "c3 g1": "processor"}
	for _, l := range limits {
		name := l.Factors["cpu"] + " " + l.Factors["gpu"]
		t.Logf("%s %-10s %6.1f FPS, fitted %6.1f (%+.2f %%), share %.3f: %s", name, l.Limit, float64(l.FPS), float64(l.Fitted), 100*float64(l.Residual), float64(l.Share), l.Reason)
		if w, ok := want[name]; ok && l.Limit != w {
			t.Errorf("%s is %s, want %s", name, l.Limit, w)
		}
	}
	m := models[0]
	t.Logf("sharpness %.1f, residual sd %.2f %%, worst %.2f %%, left out %.2f %% over %d cells", float64(m.Q), 100*float64(m.Sigma), 100*float64(m.Worst), 100*float64(m.LeftOutError), m.Predicted)
	if math.Abs(float64(m.Worst)) > 0.02 {
		t.Errorf("the worst residual is %.2f %%", 100*float64(m.Worst))
	}
}

func TestRealMatrixMargins(t *testing.T) {
	cells := analysis.Cells(realMatrix(t), analysis.Options{})
	margins, err := compare.Margins(cells, "cpu", "", analysis.Average, analysis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ties := 0
	for _, m := range margins {
		t.Logf("%s: %s against %s %s", m.Factors["gpu"], m.Value, m.Base, m.Statement)
		if m.Factors["gpu"] != "g4" {
			continue
		}
		if m.Call == compare.Faster || m.Call == compare.Slower {
			t.Errorf("%+v", m)
		}
		if m.Call == compare.Tie {
			ties++
		}
	}
	if ties != 3 {
		t.Errorf("%d of 3 ties in column g4", ties)
	}
}

// On the recorded matrix no cell is called odd: its residuals are those of its own noise.
func TestOddRealMatrix(t *testing.T) {
	r := oddcell.Find(analysis.Cells(realMatrix(t), analysis.Options{}), analysis.Options{})
	if len(r.Odd) > 0 || r.Tested+len(r.Untestable) != 12 {
		t.Errorf("%+v", r)
	}
}
