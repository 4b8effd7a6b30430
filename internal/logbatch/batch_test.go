package logbatch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"capd.example/framelog"
)

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// A folder stands for the logs below it, by their names in any case; a pattern for what it
// matches; any other name for itself, there or not.
func TestFind(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []string{"in/a.csv", "in/deep/B.CSV", "in/notes.md", "x1.txt", "x2.txt"} {
		write(t, filepath.Join(dir, f), "")
	}
	if err := os.Mkdir(filepath.Join(dir, "empty"), 0o755); err != nil {
		t.Fatal(err)
	}
	at := func(names ...string) (out []string) {
		for _, n := range names {
			out = append(out, filepath.Join(dir, n))
		}
		return out
	}
	got, err := Find(at("in", "x?.txt", "gone.csv", "no*match"), []string{"*.csv"})
	want := at("in/a.csv", "in/deep/B.CSV", "x1.txt", "x2.txt", "gone.csv", "no*match")
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %q, %v, want %q", got, err, want)
	}
	var none *NoLogsError
	if _, err := Find(at("empty"), []string{"*.csv"}); !errors.As(err, &none) || none.Folder != at("empty")[0] {
		t.Errorf("a folder without logs: %v", err)
	}
}

// Results come in the order of the files, whichever core was quicker; a log that cannot be
// read is one of them; and whoever takes them may stop.
func TestMeasureKeepsTheOrder(t *testing.T) {
	dir := t.TempDir()
	var files []string
	for i := range 40 {
		text := "took_ms\n"
		for range 20 + 3000*(i%2) {
			text += fmt.Sprintf("%d.5\n", i+2)
		}
		files = append(files, filepath.Join(dir, fmt.Sprint(i, ".csv")))
		if i != 7 {
			write(t, files[i], text)
		}
	}
	n := 0
	err := Measure(context.Background(), files, framelog.Options{}, nil, func(i int, l Log) error {
		if i != n || l.File != files[i] || (l.Err != nil) != (i == 7) || l.Err == nil && l.MaxMS != float64(i)+2.5 {
			t.Errorf("result %d is number %d: %+v", n, i, l)
		}
		n++
		return nil
	})
	if err != nil || n != len(files) {
		t.Errorf("%d results, %v", n, err)
	}
	stop := errors.New("enough")
	if err := Measure(context.Background(), files, framelog.Options{}, nil, func(int, Log) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("stopped with %v", err)
	}
}
