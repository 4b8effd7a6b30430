package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestVerifyOfAStoreThatIsCutOff: verify and salvage read what is there, and where nothing
// is left their advice leads on.
func TestVerifyOfAStoreThatIsCutOff(t *testing.T) {
	dir := t.TempDir()
	passesWithLoad(t, dir, 1, 2)
	file := filepath.Join(dir, "passes.db")
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(file, int64(len(data)-4096)); err != nil {
		t.Fatal(err)
	}
	status, out, msg := program(t, dir, "passes")
	if status != 3 || !strings.Contains(msg, "capctl verify") {
		t.Errorf("passes: %d %s %s", status, out, msg)
	}
	status, out, msg = program(t, dir, "verify")
	if status != 1 || !strings.Contains(out, "of 2 passes") || !strings.Contains(out, "the file is cut off") || !strings.Contains(msg, "--salvage NEW.db") {
		t.Errorf("verify: %d %s %s", status, out, msg)
	}
	to := filepath.Join(dir, "new.db")
	status, out, msg = program(t, dir, "verify", "--salvage", to)
	if _, err := os.Stat(to); status != 1 || err != nil || !strings.Contains(out, "whole") {
		t.Errorf("salvage: %d %s %s, %v", status, out, msg, err)
	}
	if err := os.Truncate(file, 1000); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"verify"}, {"verify", "--salvage", filepath.Join(dir, "newer.db")}} {
		status, out, msg = program(t, dir, args...)
		if status != 3 || !strings.Contains(msg, "restore a backup") || strings.Contains(msg, "capctl verify") {
			t.Errorf("%v of nothing: %d %s %s", args, status, out, msg)
		}
	}
}
