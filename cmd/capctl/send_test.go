package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A selection without a pass makes no file: a colleague would take in nothing.
func TestSendOfNoPass(t *testing.T) {
	r := newRoom(t)
	r.write("capd.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\n")
	r.keep(time.Date(2026, 2, 3, 9, 0, 0, 0, time.UTC), 90, "1.2", map[string]string{"gpu": "Lantern 60"})
	file := filepath.Join(r.dir, "for-you.zip")
	status, _, said := r.run("send", file, "--tag", "gpu=Lantern 70")
	if _, err := os.Lstat(file); err == nil || !strings.Contains(said, "no pass matches") || strings.Contains(said, "0 passes") {
		t.Errorf("status %d: %s (%v)", status, said, err)
	}
	listed, _, _ := r.run("passes", "--tag", "gpu=Lantern 70")
	if status != listed {
		t.Errorf("status %d, that of passes is %d", status, listed)
	}
	if status, _, said = r.run("send", file); status != 0 || !strings.Contains(said, "3 passes in") {
		t.Errorf("status %d: %s", status, said)
	}
}
