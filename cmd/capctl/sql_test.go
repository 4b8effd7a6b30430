package main

import (
	"context"
	"os"
	"runtime"
	"strings"
	"testing"

	"capd.example/internal/cli"
	"capd.example/store"
)

func TestParquetIsNotSentToATerminal(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("opens a pseudo-terminal as Linux has it")
	}
	terminal, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skipf("this machine gives no pseudo-terminal: %v", err)
	}
	defer terminal.Close()
	data := t.TempDir()
	s, err := store.Open(context.Background(), data+"/passes.db", store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	for format, want := range map[string]int{"parquet": cli.Usage, "csv": cli.Done} {
		var errs strings.Builder
		got := run(context.Background(), []string{"--data", data, "sql", "--format", format, "SELECT id FROM passes"}, nil, terminal, &errs)
		if got != want || (want == cli.Usage) != strings.Contains(errs.String(), "> FILE.parquet") {
			t.Errorf("%s to a terminal: status %d, want %d; %s", format, got, want, errs.String())
		}
	}
}

// TestSQLThatCannotBeStopped: the database does not stop within one call of a function; the
// command ends all the same. An empty query is a slip, not an answer.
func TestSQLThatCannotBeStopped(t *testing.T) {
	dir := t.TempDir()
	passesWithLoad(t, dir, 1)
	status, out, msg := program(t, dir, "sql", "--timeout", "200ms", "SELECT instr(hex(zeroblob(8000000)), hex(zeroblob(4000000)) || '1')")
	if status != 3 || !strings.Contains(msg, "stopped after 200ms") {
		t.Errorf("%d %s %s", status, out, msg)
	}
	for _, text := range []string{"", ";", "/* nothing */"} {
		status, out, msg = program(t, dir, "sql", text)
		if status != 2 || !strings.Contains(msg, "empty") {
			t.Errorf("%q: %d %s %s", text, status, out, msg)
		}
	}
}
