package export_test

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

// slow is a source beside which somebody else does something while it is read.
type slow struct {
	export.Source
	meanwhile func()
}

func (s slow) Each(ctx context.Context, f store.Filter, fn func(record.Pass) error) error {
	s.meanwhile()
	return s.Source.Each(ctx, f, fn)
}

func leftBehind(t *testing.T, dir string, want int) {
	t.Helper()
	if left, err := os.ReadDir(dir); err != nil || len(left) != want {
		t.Errorf("in the folder: %v, %v; want %d", left, err, want)
	}
}

// A file that appears while passes are written is not replaced.
func TestSendReplacesNothingThatCameMeanwhile(t *testing.T) {
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	file := filepath.Join(t.TempDir(), "to-lab.zip")
	s := slow{from, func() { must(t, os.WriteFile(file, []byte("notes"), 0o600)) }}
	if done, err := export.Send(ctx, s, store.Filter{}, file); err == nil {
		t.Errorf("sent: %+v", done)
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != "notes" {
		t.Errorf("%.20q, %v", got, err)
	}
	leftBehind(t, filepath.Dir(file), 1)
}

// A colleague may read what is sent as any other file here.
func TestSendFollowsTheUmask(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has other rights")
	}
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	dir := t.TempDir()
	file, plain := filepath.Join(dir, "to-lab.zip"), filepath.Join(dir, "plain")
	_, err := export.Send(ctx, from, store.Filter{}, file)
	must(t, err)
	must(t, os.WriteFile(plain, nil, 0o666))
	var mode [2]fs.FileMode
	for i, name := range []string{file, plain} {
		info, err := os.Stat(name)
		must(t, err)
		mode[i] = info.Mode()
	}
	if mode[0] != mode[1] {
		t.Errorf("rights %v, of other files %v", mode[0], mode[1])
	}
}

// Where no pass is selected, no file is written.
func TestSendOfNothing(t *testing.T) {
	dir := t.TempDir()
	done, err := export.Send(ctx, newStore(t), store.Filter{}, filepath.Join(dir, "to-lab.zip"))
	if err != nil || done.Written != 0 {
		t.Errorf("%+v, %v", done, err)
	}
	leftBehind(t, dir, 0)
}

// What a part takes in memory is bounded, in each of its tables, and nothing of one that takes
// more is stored: a small archive can be unpacked to any size.
func TestPartsAreHeldWithinBounds(t *testing.T) {
	from, to := newStore(t), newStore(t)
	for i := range 3 {
		add(t, from, i, "Glass Halyard")
	}
	file := filepath.Join(t.TempDir(), "to-lab.zip")
	_, err := export.Send(ctx, from, store.Filter{}, file)
	must(t, err)
	refusedIn := map[string]bool{}
	for bytes := int64(0); ; bytes += 512 {
		taken, err := export.ReadWithin(ctx, to, file, bytes)
		if err == nil {
			if taken.New != 3 {
				t.Errorf("%+v", taken)
			}
			break
		}
		if n, _ := to.Count(ctx, store.Filter{}); n > 0 || bytes > 1<<20 {
			t.Fatalf("%d passes with %d bytes: %v", n, bytes, err)
		}
		for _, table := range []string{"passes", "frames", "telemetry"} {
			if strings.Contains(err.Error(), ": "+table+"/") && strings.Contains(err.Error(), "too much memory") {
				refusedIn[table] = true
			}
		}
	}
	if len(refusedIn) != 3 {
		t.Errorf("bounded in %v", refusedIn)
	}
}
