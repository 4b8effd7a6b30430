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
