package main

import (
	"encoding/json"
	"strings"
	"testing"

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
