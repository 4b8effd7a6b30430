package sysinfo

import (
	"context"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/nvml"
	"capd.example/sysinfo/recording"
	"capd.example/sysinfo/winsys"
	"github.com/rogpeppe/go-internal/txtar"
)

// withNVML are machines of either system with a card of NVIDIA's, by the stand-in of testdata/nvml.c.
func withNVML(t *testing.T) map[string]func(winsys.Asker) *Bench {
	return map[string]func(winsys.Asker) *Bench{
		"Linux":   func(nv winsys.Asker) *Bench { return New(Options{Root: machinetest.Unpack(t, "virtual"), NVML: nv}) },
		"Windows": func(nv winsys.Asker) *Bench { return New(Options{Windows: recordedWindows(t, "windows-a"), NVML: nv}) },
	}
}

func standIn(t *testing.T) winsys.Asker {
	t.Helper()
	library, why := nvml.Load(machinetest.NVML(t))
	if library == nil {
		t.Fatalf("%+v", why)
	}
	return library
}

// TestReplayOfNVML: what NVIDIA's library answered is in a recording and shows the same where there
// is no such library; who used the card is part of it, where the library is asked for that.
func TestReplayOfNVML(t *testing.T) {
	users := t.TempDir() + "/users"
	machinetest.Write(t, users, []byte(strings.Repeat("10 80 0 0 2048 0\n", 100))) // more than there is room for at first
	t.Setenv("NVML_USE", users)
	for system, machine := range withNVML(t) {
		t.Run(system, func(t *testing.T) {
			file := recordOf(t, machine(standIn(t)))
			got, want, err := Replay(t.Context(), file)
			if err != nil {
				t.Fatal(err)
			}
			if got != want {
				t.Errorf("the replay (+) shows something else than the recording:\n%s", machinetest.LineDiff(want, got))
			}
			for _, line := range []string{"gpu.0.temp               71 C                 nvml", "gpu.0.power              281.5 W              nvml",
				"gpu.0.mem_clock          10501 MHz            nvml", "gpu.0.mem_used           2.14748e+09 B        nvml"} {
				if !strings.Contains(got, line) {
					t.Errorf("it does not show %q:\n%s", line, got)
				}
			}
			if !strings.Contains(string(file), "works      gauges of the first card") {
				t.Error("the ten lines do not tell of the card")
			}
			a, err := recording.Parse(file)
			if err != nil {
				t.Fatal(err)
			}
			if system == "Linux" && recording.Member(a, "asked nvmlDeviceGetProcessUtilization 0 0 0") == "" {
				t.Error("who used the card is not in it")
			}
		})
	}
}

// TestChangedNVML changes one byte of an answer of NVIDIA's library after the other, and its
// statuses: never a panic and never an impossible value.
func TestChangedNVML(t *testing.T) {
	users := t.TempDir() + "/users"
	machinetest.Write(t, users, []byte("10 80 0 0 2048 0\n30 -1 0 0 700 1\n"))
	t.Setenv("NVML_USE", users)
	b := New(Options{Root: machinetest.Unpack(t, "virtual"), NVML: standIn(t)})
	a, err := recording.Parse(recordOf(t, b))
	if err != nil {
		t.Fatal(err)
	}
	read := func() *winsys.Recorded {
		var only txtar.Archive
		for _, f := range a.Files {
			if _, is := winsys.AnswerTo(f.Name); is {
				only.Files = append(only.Files, f)
			}
		}
		r, err := winsys.ReadRecorded(&only)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	flips, step := []byte{0x01, 0x80, 0xFF}, 17
	long := testlab.Long(t)
	if long {
		step = 1
	}
	count := 0
	read().Answers(func(_ string, _ int, b []byte) { count += len(b) })
	if count < 500 {
		t.Fatalf("only %d bytes to change", count)
	}
	for place := 0; place < count; place += step {
		for i, flip := range flips {
			if !long && i != place%len(flips) {
				continue
			}
			r, at := read(), 0
			where := ""
			r.Answers(func(q string, n int, b []byte) {
				if place >= at && place < at+len(b) {
					b[place-at] ^= flip
					where = q
				}
				at += len(b)
			})
			changed := New(Options{Root: b.opt.Root, NVML: r, Keep: 10 * time.Second})
			changed.Detect(context.Background())
			sampleWindows(t, changed, recordedSamples)
			if t.Failed() {
				t.Fatalf("byte %d ^ %#x, of %s", place, flip, where)
			}
		}
	}
	// A library that answers nothing but a status, whatever it is asked.
	for _, rc := range []winsys.Status{winsys.NoFunction, 3, 6, 7, 9, 13, 15, 18, 122, 999} {
		for _, call := range []string{"nvmlInit_v2", "nvmlDeviceGetCount_v2", "nvmlDeviceGetHandleByIndex_v2", "nvmlDeviceGetPciInfo_v3",
			"nvmlDeviceGetTemperature", "nvmlDeviceGetMemoryInfo_v2", "nvmlDeviceGetProcessUtilization"} {
			broken := liar{read(), call, func(winsys.Asker, winsys.Question, []byte) (int, winsys.Status) { return 0, rc }}
			changed := New(Options{Root: b.opt.Root, NVML: broken, Keep: 10 * time.Second})
			changed.Detect(context.Background())
			sampleWindows(t, changed, recordedSamples)
		}
	}
}
