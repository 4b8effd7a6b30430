package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// forged would stand as a line of its own if a line end of a name reached the terminal.
const forged = "BAD pass 9 of everything"

// hostile is a name that steers a terminal, turns what follows round, hides a letter, ends
// the line, is no UTF-8 and looks like a formula.
const hostile = "=a\x1b[2J\x1b]0;pwn\x07\u202eb\u200bc\x9b31m\u2028" + "\r\n" + forged + "\xff\x00"

// TestHostileWords: whatever names, tags, reasons and remarks hold, no command writes a
// character that a terminal obeys or a reader is deceived by, and no line of theirs.
func TestHostileWords(t *testing.T) {
	r := newRoom(t)
	r.write("capd.toml", "bench = \"bench-1\"\ndata = \"data\"\nwatch = \"logs\"\n")
	at := time.Date(2026, 4, 2, 9, 0, 0, 0, time.UTC)
	for i, gpu := range []string{"40", "60"} {
		r.keep(at.Add(time.Duration(i)*time.Hour), 60+20*float64(i), "7.1 "+hostile, map[string]string{
			"gpu": gpu + hostile, "cpu": "Basalt" + hostile, "game": "river" + hostile, "scene": hostile, "resolution": "1080p", "preset": hostile, "campaign": "spring" + hostile})
	}
	list, err := r.s.Passes(t.Context(), store.Filter{})
	if err != nil || len(list) != 6 {
		t.Fatalf("%d passes, %v", len(list), err)
	}
	id := list[0].ID
	found := []record.Finding{{Check: "hitches", Version: "1", Outcome: record.Bad, Reason: "stood still " + hostile, Advice: hostile, Numbers: map[string]float64{"x": 1}}}
	if err := r.s.Finish(t.Context(), id, found, record.VerdictBad); err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(r.dir, "report")
	for _, args := range [][]string{
		{"passes"}, {"passes", "--verdict", "bad"}, {"show", id}, {"show", "--history", id}, {"cells"}, {"cells", "--csv"}, {"cells", "--markdown"},
		{"compare", "--by", "gpu", "--any"}, {"compare", "--by", "gpu", "--base", hostile}, {"limits"}, {"odd"}, {"repeatability"}, {"value"}, {"holds"}, {"gaps"},
		{"systems"}, {"system", "show", list[0].System}, {"overrule", id, "bad", "--why", hostile, "--dry-run"}, {"tag", id, "scene=" + hostile, "--dry-run"},
		{"sql", "SELECT * FROM passes"}, {"sql", "SELECT * FROM tags"}, {"alerts"}, {"status"}, {"verify"}, {"recheck", id}, {"report", "--out", out}, {"show", hostile}, {hostile},
		{"passes", "--json"}, {"show", "--json", id}, {"cells", "--json"}, {"compare", "--by", "gpu", "--json"}, {"sql", "--json", "SELECT * FROM tags"}, {"systems", "--json"},
	} {
		_, stdout, stderr := r.run(args...)
		for _, s := range []string{stdout, stderr} {
			check(t, strings.Join(args, " "), s)
		}
	}
	err = filepath.WalkDir(out, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".html") && !strings.HasSuffix(path, ".svg") && !strings.HasSuffix(path, ".csv") {
			return err
		}
		b, err := os.ReadFile(path)
		check(t, path, strings.ReplaceAll(string(b), forged, "")) // a line end is no line of a page
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

func check(t *testing.T, what, s string) {
	t.Helper()
	for _, line := range strings.Split(s, "\n") {
		at := strings.IndexFunc(strings.ReplaceAll(line, "\t", " "), text.Hostile)
		if at >= 0 || strings.HasPrefix(strings.TrimSpace(line), forged) {
			t.Errorf("%.60q: %.200q", what, line)
		}
		if json.Valid([]byte(line)) && bytes.ContainsFunc([]byte(line), text.Hostile) {
			t.Errorf("%.60q: %.200q", what, line)
		}
	}
}
