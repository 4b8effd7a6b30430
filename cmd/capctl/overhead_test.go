package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
)

func TestOverheadCommand(t *testing.T) {
	dir := t.TempDir()
	standInAgent(t, dir, &standIn{})
	status, out, msg := capctl(t, dir, "overhead")
	for _, want := range []string{"process 42", "0.025 s, 0.0250 % of one core", "150, 1.50 a second", "12.0 MiB now", "not counted by this system", "98, on average"} {
		if status != cli.Done || !strings.Contains(out, want) {
			t.Errorf("status %d without %q:\n%s%s", status, want, out, msg)
		}
	}
	_, out, _ = capctl(t, dir, "overhead", "--json")
	var o control.Overhead
	if err := json.Unmarshal([]byte(out), &o); err != nil || o.WakeUps != 150 || strings.Count(out, "\n") != 1 {
		t.Errorf("%v: %s", err, out)
	}
	if status, _, _ := capctl(t, dir, "overhead", "--over", "-1s"); status != cli.Usage {
		t.Errorf("a time gone by: status %d", status)
	}
	if status, out, msg := capctl(t, dir, "overhead", "--over", "1ms"); status != cli.Done || !strings.Contains(out, "samples    0") {
		t.Errorf("nothing was added: status %d\n%s%s", status, out, msg)
	}
}

func TestOverheadBetween(t *testing.T) {
	since := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	before := control.Overhead{Since: since, AgeS: 100, ProcessorS: 1, WakeUps: 500, Reads: 10, Samples: 90, SampleTotalS: 0.5, ResidentBytes: 9}
	after := control.Overhead{Since: since, AgeS: 160, ProcessorS: 1.03, WakeUps: 590, Reads: 30, Samples: 150, SampleTotalS: 0.53, ResidentBytes: 8, SampleLongMS: 3}
	d := overheadBetween(before, after)
	near := func(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }
	if !near(d.AgeS, 60) || !near(d.Percent, 0.05) || !near(d.WakeUpsPerS, 1.5) || d.Reads != 20 || !near(d.SampleMeanMS, 0.5) ||
		d.ResidentBytes != 8 || d.SampleLongMS != 3 || !d.Since.Equal(since.Add(100*time.Second)) {
		t.Errorf("%+v", d)
	}
}
