package sysinfo_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"capd.example/sysinfo"
)

func TestBoot(t *testing.T) {
	root := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	bench := sysinfo.New(sysinfo.Options{Root: root})
	if boot, ok := bench.Boot(time.Now()); ok {
		t.Errorf("nothing says when it started: %+v", boot)
	}
	write("proc/sys/kernel/random/boot_id", "4f6c1a2b-0000-4000-8000-000000000000\n")
	write("proc/stat", "cpu 1 2 3\nbtime 1767225600\nprocesses 5\n")
	boot, ok := bench.Boot(time.Now())
	if !ok || boot.ID != "4f6c1a2b" || !boot.At.Equal(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("%v %+v", ok, boot)
	}
	for _, broken := range []string{"", "btime x\n", "btime -1\n", "btime \n"} {
		write("proc/stat", broken)
		if boot, ok := bench.Boot(time.Now()); ok {
			t.Errorf("%q: %+v", broken, boot)
		}
	}
}

// This very machine started before now.
func TestBootOfThisMachine(t *testing.T) {
	now := time.Now()
	boot, ok := sysinfo.New(sysinfo.Options{}).Boot(now)
	if !ok {
		t.Skip("this machine does not say when it started")
	}
	if boot.ID == "" || !boot.At.Before(now) {
		t.Errorf("%+v", boot)
	}
}
