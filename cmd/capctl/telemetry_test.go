package main

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/record"
	"capd.example/store"
)

// samplesOfAPass has three samples: of two cores, of a temperature that was not read
// once, and of the reasons of a graphics card.
func samplesOfAPass(at time.Time) *record.Telemetry {
	nan := math.NaN()
	return &record.Telemetry{
		At: []time.Time{at, at.Add(time.Second), at.Add(2 * time.Second)},
		Series: []record.Series{
			{Name: record.SeriesCPUTemp, Unit: "C", Source: "hwmon", Values: []float64{nan, 61.5, 70}},
			{Name: "cpu.core.0.busy", Unit: "%", Source: "s", Values: []float64{10, 20, 90}},
			{Name: "cpu.core.1.busy", Unit: "%", Source: "s", Values: []float64{2, 4, 6}},
			{Name: "gpu.0.throttle", Source: "nvml", Values: []float64{0, record.ThrottlePower, record.ThrottlePower | record.ThrottleThermal}},
			{Name: "gpu.0.fan", Unit: "rpm", Source: "s", Values: []float64{nan, nan, nan}},
		},
		Processes: []record.ProcessUse{{Name: "glasshalyard", Percent: 180, Game: true}},
		Missing:   []record.Gap{{Name: record.SeriesCPUPower, Why: record.Refused, Text: "not readable"}},
	}
}

func TestShowTelemetry(t *testing.T) {
	dir := t.TempDir()
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	save := func(sha string, samples *record.Telemetry) {
		t.Helper()
		_, err := s.Save(ctx, store.Arrival{Pass: record.Pass{SHA256: strings.Repeat(sha, 32), Bench: "bench-a", Log: "/logs/" + sha, StartedAt: at, EndedAt: at.Add(2 * time.Second)},
			Frames: record.Frames{MS: []float64{10, 11}, Decimals: 0}, Telemetry: samples})
		if err != nil {
			t.Fatal(err)
		}
	}
	save("a1", samplesOfAPass(at))
	save("b2", nil)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	status, out, msg := capctl(t, dir, "show", "a1a1", "--telemetry")
	if status != cli.Done {
		t.Fatalf("status %d: %s", status, msg)
	}
	text := strings.Join(strings.Fields(out), " ")
	for _, want := range []string{
		"3 samples", "cpu.temp 61.50 65.75 70 61.50 70 C", "cpu.core.*.busy (2) 2 12 90 6 48 %",
		"gpu.0.fan never read", "heat in 1 of 3 samples, power limit in 2 of 3 samples", "glasshalyard 180.0 % of one core, the measured program", "missing cpu.power: refused, not readable",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("without %q:\n%s", want, out)
		}
	}
	_, out, _ = capctl(t, dir, "show", "a1a1", "--telemetry", "--json")
	var got struct {
		SHA256    string          `json:"sha256"`
		Telemetry listing.Samples `json:"telemetry"`
	}
	if err := json.Unmarshal([]byte(out), &got); err != nil || got.SHA256 != strings.Repeat("a1", 32) || strings.Count(out, "\n") != 1 {
		t.Fatalf("%v: %s", err, out)
	}
	if len(got.Telemetry.Series) != 5 || *got.Telemetry.Series[0].Median != 65.75 || got.Telemetry.Series[0].Known != 2 ||
		got.Telemetry.Series[3].Reasons["power limit"] != 2 || got.Telemetry.Series[4].Min != nil {
		t.Errorf("%s", out)
	}
	if _, out, _ = capctl(t, dir, "show", "a1a1", "--json"); strings.Contains(out, "telemetry") {
		t.Errorf("not asked for: %s", out)
	}
	if _, out, _ = capctl(t, dir, "show", "b2b2", "--telemetry"); !strings.Contains(out, "this pass has no stored samples") {
		t.Errorf("a pass without samples: %s", out)
	}
	if _, out, _ = capctl(t, dir, "show", "b2b2", "--telemetry", "--json"); !strings.Contains(out, `"telemetry":null`) {
		t.Errorf("a pass without samples: %s", out)
	}
}
