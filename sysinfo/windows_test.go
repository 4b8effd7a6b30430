package sysinfo

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/winsys"
	"github.com/rogpeppe/go-internal/txtar"
)

func recordedWindows(t testing.TB, machine string) *winsys.Recorded {
	t.Helper()
	a, err := txtar.ParseFile(machinetest.Path(machine + "/machine.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := winsys.ReadRecorded(a)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestRecordedWindows compares what is detected and sampled of each recorded Windows machine
// with its golden file, on whatever system the test runs.
func TestRecordedWindows(t *testing.T) {
	machines := machinetest.Machines(t, "windows-")
	if len(machines) == 0 {
		t.Fatal("no recorded Windows machine")
	}
	for _, m := range machines {
		t.Run(m, func(t *testing.T) {
			b := New(Options{Windows: recordedWindows(t, m)})
			machinetest.Golden(t, m, shows(t, b))
		})
	}
}

// TestFactsOfWindows states what windows-a was built to show, which a golden file cannot explain.
func TestFactsOfWindows(t *testing.T) {
	b := New(Options{Windows: recordedWindows(t, "windows-a")})
	s := b.Detect(context.Background())
	for name, want := range map[string]string{
		record.FieldOSName: "Windows 11 Pro 24H2", record.FieldGraphicsName: "Fell 16", // not the entry of the card that is gone
		"graphics.0." + record.FieldThrottleTemp: "95", "os.gpu_scheduling": "on", "os.virtualization_security": "on",
		record.FieldProcessorPolicy: "high performance", "power.mode": "high performance", "display.0.refresh": "164.83", // of the main screen, which comes second
		"processor.microcode": "0x114",
	} {
		if f, _ := s.Get(name); f.Value != want {
			t.Errorf("%s = %q, want %q", name, f.Value, want)
		}
	}
	last := sampleWindows(t, b, 9)
	for name, want := range map[string]float64{
		"cpu.core.15.busy": 0, "cpu.core.14.busy": 60, // of the second group
		record.SeriesBusy: 30, record.SeriesCPUClock: 36.96 * 136, "cpu.performance": 136, record.SeriesCPUPower: 118.25,
		"zone.0.temp": 313.2 - 273.15, "gpu.0.temp": 94.5, "gpu.0.clock": 2300, "gpu.0.mem_clock": 2250, "gpu.0.fan": 1830,
		"gpu.0.power_share": 97.2, "gpu.0.busy": 95, "gpu.0.mem_used": 6 << 30, "gpu.1.clock": 1450, "gpu.1.busy": 7,
		"gpu.1.temp": math.NaN(), // 0 stands for one that is not told
	} {
		if got, known := last[name]; !known || math.Abs(got-want) > 1e-6 || math.IsNaN(got) != math.IsNaN(want) {
			t.Errorf("%s = %g (%v), want %g", name, got, known, want)
		}
	}
}

// sampleWindows takes samples and returns the last one, a number for each series.
func sampleWindows(t testing.TB, b *Bench, n int) map[string]float64 {
	t.Helper()
	s, err := b.startSampling()
	if err != nil {
		t.Fatal(err)
	}
	defer b.stopSampling(s)
	row := make([]float64, len(b.ring.cols))
	s.turn.Store(1)
	for i := range n {
		s.sampleAt(1, row, noon.Add(time.Duration(i)*time.Second))
		sane(t, b, row)
	}
	last := map[string]float64{}
	for i, c := range b.ring.cols {
		last[c.Name] = row[i]
	}
	return last
}

// sane holds what no machine of this world is beyond, whatever it answers.
func sane(t testing.TB, b *Bench, row []float64) {
	t.Helper()
	for i, c := range b.ring.cols {
		low, high := 0.0, math.MaxFloat64
		switch {
		case c.Unit == "C":
			low, high = -50, 150
		case strings.HasSuffix(c.Name, ".mem_clock"):
			low, high = 1, 50_000
		case c.Unit == "MHz":
			low, high = 1, 10_000
		case c.Unit == "%" && (strings.HasSuffix(c.Name, ".busy")):
			high = 100
		case c.Unit == "%":
			high = 1000
		case c.Unit == "W":
			high = 5000
		case c.Unit == "B":
			high = 1 << 50
		case strings.HasSuffix(c.Unit, "/s"):
			high = 1e12
		}
		if v := row[i]; v < low || v > high || math.IsInf(v, 0) {
			t.Errorf("%s = %g %s", c.Name, v, c.Unit)
		}
	}
}

// TestChangedAnswers changes one byte of a recorded answer after the other: what comes of it
// is an error or another number, never a panic and never an impossible value. Of what repeats row
// by row and second by second, the first stand for all unless the long version is asked for, which
// can be run part by part (-run TestChangedAnswers/windows-a/3).
func TestChangedAnswers(t *testing.T) {
	step, long := 61, testlab.Long(t)
	if long {
		step = 1
	}
	type place struct {
		question string
		n, at    int
	}
	const parts = 16
	for _, machine := range machinetest.Machines(t, "windows-") {
		var places []place
		recordedWindows(t, machine).Answers(func(q string, n int, b []byte) {
			for at := range b {
				if long || n == 0 && (at < 200 || at >= 1150 && at < 1300 || at > len(b)-60) {
					places = append(places, place{q, n, at})
				}
			}
		})
		if len(places) < 2000 {
			t.Fatalf("only %d bytes to change", len(places))
		}
		for part := range parts {
			t.Run(fmt.Sprintf("%s/%d", machine, part), func(t *testing.T) {
				t.Parallel()
				dice := rand.New(rand.NewPCG(1, uint64(part)))
				for i := part * step; i < len(places); i += parts * step {
					p := places[i]
					r := recordedWindows(t, machine)
					r.Answers(func(q string, n int, b []byte) {
						if q == p.question && n == p.n {
							b[p.at] ^= byte(1 + dice.IntN(255))
						}
					})
					b := New(Options{Windows: r, Keep: 10 * time.Second})
					b.Detect(context.Background())
					sampleWindows(t, b, recordedSamples)
					if t.Failed() {
						t.Fatalf("byte %d of answer %d to %s", p.at, p.n, p.question)
					}
				}
			})
		}
	}
}

// liar answers as a machine does, but for one call.
type liar struct {
	winsys.Asker
	call string
	how  func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status)
}

func (l liar) Ask(q winsys.Question, out []byte) (int, winsys.Status) {
	if q.Call == l.call {
		return l.how(l.Asker, q, out)
	}
	return l.Asker.Ask(q, out)
}

// TestLyingWindows: each call in turn fails, lacks, lies about the size of its answer, wants
// more room without end, or answers with nothing, noise or numbers that are none.
func TestLyingWindows(t *testing.T) {
	lies := map[string]func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status){
		"fails":        func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 0, winsys.Failed },
		"is not there": func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 0, winsys.NoFunction },
		"says nothing": func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 0, winsys.OK },
		"wants more": func(_ winsys.Asker, _ winsys.Question, out []byte) (int, winsys.Status) {
			return len(out) + 1, 0x800007D2
		},
		"wants far more":          func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 1 << 40, 122 },
		"wants less than nothing": func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return -1, 0xC0000004 },
		"claims more than fits": func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status) {
			return len(out) + 4096, winsys.OK
		},
		"cuts it short": func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status) {
			n, s := a.Ask(q, out)
			return n / 2, s
		},
		"is all ones": func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status) {
			n, s := a.Ask(q, out)
			for i := range out {
				out[i] = 0xFF
			}
			return n, s
		},
		"is no number": func(a winsys.Asker, q winsys.Question, out []byte) (int, winsys.Status) {
			n, s := a.Ask(q, out)
			for i := 8; i+8 <= len(out); i += 8 {
				binary.LittleEndian.PutUint64(out[i:], math.Float64bits(math.NaN()))
			}
			return n, s
		},
	}
	calls := map[string]bool{}
	recordedWindows(t, "windows-a").Answers(func(q string, _ int, _ []byte) {
		name, _, _ := strings.Cut(q, " ")
		calls[name] = true
	})
	if len(calls) < 15 {
		t.Fatalf("only %d calls", len(calls))
	}
	for call := range calls {
		for what, how := range lies {
			t.Run(fmt.Sprintf("%s %s", call, what), func(t *testing.T) {
				b := New(Options{Windows: liar{recordedWindows(t, "windows-a"), call, how}, Keep: 10 * time.Second})
				b.Detect(context.Background())
				sampleWindows(t, b, 5)
			})
		}
	}
}

// TestWindowsWithout: what a machine does not tell is a gap with its reason.
func TestWindowsWithout(t *testing.T) {
	b := New(Options{Windows: winsys.NewRecorded()})
	if s := b.Detect(context.Background()); s.ID == "" {
		t.Error("no identity")
	}
	sampleWindows(t, b, 2)
	for _, want := range []string{record.SeriesBusy, record.SeriesCPUClock, record.SeriesCPUPower, record.SeriesNetRecv, record.SeriesCoreClock, "zone.0.temp", "gpu.0"} {
		found := false
		for _, g := range b.gaps {
			found = found || g.Name == want && g.Why != ""
		}
		if !found {
			t.Errorf("no gap for %s: %+v", want, b.gaps)
		}
	}
}
