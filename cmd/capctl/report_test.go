package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestReportLeavesOthersFiles: a page, a folder or a description that is not of an earlier
// report stops the report, whole; an earlier report is replaced.
func TestReportLeavesOthersFiles(t *testing.T) {
	dir := t.TempDir()
	passesWithLoad(t, dir, 1, 2, 3)
	report := func(out string) (int, string) {
		status, _, msg := program(t, dir, "report", "--out", out, "--pictures", "0")
		return status, msg
	}
	victim := filepath.Join(dir, "victim.txt")
	if err := os.WriteFile(victim, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, make := range map[string]func(out string) error{
		"index.html": func(out string) error { return os.WriteFile(filepath.Join(out, "index.html"), []byte("mine"), 0o600) },
		"datapackage.json": func(out string) error {
			return os.WriteFile(filepath.Join(out, "datapackage.json"), []byte(`{"name":"mine"}`), 0o600)
		},
		"charts": func(out string) error { return os.Symlink(dir, filepath.Join(out, "charts")) },
		"data/cells.csv": func(out string) error {
			if err := os.Mkdir(filepath.Join(out, "data"), 0o700); err != nil {
				return err
			}
			return os.Symlink(victim, filepath.Join(out, "data", "cells.csv"))
		},
	} {
		out := t.TempDir()
		if err := make(out); err != nil {
			t.Skip(err)
		}
		if status, msg := report(out); status != 3 || !strings.Contains(msg, name) || !strings.Contains(msg, "name another folder") {
			t.Errorf("%s: %d %s", name, status, msg)
		}
		if all, _ := os.ReadDir(out); len(all) > 3 {
			t.Errorf("%s: something was written all the same: %v", name, all)
		}
	}
	if text, err := os.ReadFile(victim); err != nil || string(text) != "mine" {
		t.Errorf("written through a link: %q, %v", text, err)
	}
	out := filepath.Join(t.TempDir(), "report")
	for round := range 2 {
		if status, msg := report(out); status != 0 {
			t.Errorf("round %d: %d %s", round, status, msg)
		}
	}
}
