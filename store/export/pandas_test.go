package export_test

import (
	"encoding/json"
	"math"
	"os/exec"
	"strconv"
	"testing"
	"time"

	"capd.example/store"
	"capd.example/store/export"
)

// TestPandasReadsAnExportedFolder has pandas read all files of an export, with their
// partitions: frame times, samples and stored figures must come through bit for bit, and
// what pandas computes from the frame times must be what the store holds. Its quantile is
// linear by default, which is Hyndman and Fan's type 7.
func TestPandasReadsAnExportedFolder(t *testing.T) {
	const python = "/usr/bin/python3" // Debian's own, which has Debian's packages
	if err := exec.Command(python, "-c", "import pandas").Run(); err != nil {
		t.Skip("Debian's python3-pandas is not installed")
	}
	s := newStore(t)
	games := []string{"Glass Halyard", "Tin Valley: 100% / ä", "=1+1", "NA"}
	for i, game := range games {
		add(t, s, i, game)
	}
	passes, err := s.Passes(ctx, store.Filter{})
	if err != nil || len(passes) != len(games) {
		t.Fatalf("%d passes, %v", len(passes), err)
	}
	for _, form := range []export.Format{export.CSV, export.JSONLines} {
		t.Run(string(form), func(t *testing.T) {
			dir := t.TempDir()
			write(t, s, dir, form)
			cmd := exec.Command(python, "testdata/read.py", dir, string(form))
			out, err := cmd.Output()
			if err != nil {
				t.Fatalf("%v: %s", err, stderrOf(err))
			}
			var read map[string]readPass
			if err := json.Unmarshal(out, &read); err != nil || len(read) != len(passes) {
				t.Fatalf("%d passes were read, %v", len(read), err)
			}
			for i, p := range passes {
				a, err := s.Whole(ctx, p.ID)
				if err != nil {
					t.Fatal(err)
				}
				read[p.ID].compare(t, a, games[i])
			}
		})
	}
}

func stderrOf(err error) []byte {
	if e, ok := err.(*exec.ExitError); ok {
		return e.Stderr
	}
	return nil
}

// readPass is what pandas read of a pass, floating-point numbers in hexadecimal.
type readPass struct {
	Game             string             `json:"game"`
	Campaign         string             `json:"campaign"`
	Scene            string             `json:"scene"`
	StartedAt        string             `json:"started_at"`
	Frames           int                `json:"frames"`
	Stored, Computed map[string]*string // by the figure's column
	MS, Samples      []*string
}

func (r readPass) compare(t *testing.T, a store.Arrival, game string) {
	t.Helper()
	p, m := a.Pass, a.Pass.Metrics
	started, err := time.Parse(time.RFC3339Nano, r.StartedAt)
	if err != nil || !started.Equal(p.StartedAt) || r.Game != game || r.Campaign != "spring" || r.Scene != p.Tags.Value("scene") || r.Frames != m.Frames {
		t.Errorf("pass %s of %q is read as %q, %q, %q, %s, %d frames", p.ID, game, r.Game, r.Campaign, r.Scene, r.StartedAt, r.Frames)
	}
	for name, want := range map[string]float64{"duration_s": m.DurationS, "avg_fps": m.AvgFPS, "p99_ms": m.P99MS, "low1_fps": m.Low1FPS} {
		if got := number(t, r.Stored[name]); math.Float64bits(got) != math.Float64bits(want) {
			t.Errorf("pass %s: %s is read as %v, the store has %v", p.ID, name, got, want)
		}
		if got := number(t, r.Computed[name]); !(math.Abs(got/want-1) < 1e-13) {
			t.Errorf("pass %s: pandas computes a %s of %v, the store has %v", p.ID, name, got, want)
		}
	}
	equalBits(t, p.ID+": frame times", r.MS, a.Frames.MS)
	equalBits(t, p.ID+": samples", r.Samples, a.Telemetry.Series[0].Values)
}

func equalBits(t *testing.T, what string, got []*string, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %d are read, the store has %d", what, len(got), len(want))
		return
	}
	for i, x := range want {
		if y := number(t, got[i]); math.Float64bits(y) != math.Float64bits(x) && !(math.IsNaN(x) && math.IsNaN(y)) {
			t.Errorf("%s: number %d is read as %v, the store has %v", what, i+1, y, x)
			return
		}
	}
}

// number reads Python's hexadecimal form; null is not a number.
func number(t *testing.T, text *string) float64 {
	t.Helper()
	if text == nil {
		return math.NaN()
	}
	x, err := strconv.ParseFloat(*text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}
