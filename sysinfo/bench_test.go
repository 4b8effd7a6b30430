package sysinfo

import (
	"context"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/owncost"
	"capd.example/sysinfo/process"
)

// TestThisMachine reads the machine that the tests run on with the real readers.
func TestThisMachine(t *testing.T) {
	b := New(Options{})
	s := b.Detect(context.Background())
	if s.ID == "" || s.ID != s.Identity() {
		t.Errorf("identity %q", s.ID)
	}
	names := map[string]bool{}
	host, _ := os.Hostname()
	for _, f := range s.Fields {
		if names[f.Name] {
			t.Errorf("%s is there twice", f.Name)
		}
		names[f.Name] = true
		if (f.Value == "") == (f.Unknown == "") {
			t.Errorf("%s must have a value or a reason: %+v", f.Name, f)
		}
		if f.Source == "" {
			t.Errorf("%s has no source", f.Name)
		}
		if len(host) > 3 && strings.Contains(f.Value, host) {
			t.Errorf("%s holds the host's name", f.Name)
		}
	}
	if n, ok := s.Get(record.FieldProcessorThreads); !ok {
		t.Errorf("threads: %+v", n)
	}
	if again := New(Options{}).Detect(context.Background()); again.ID != s.ID {
		t.Errorf("the identity of an unchanged machine changed: %v", record.Diff(s, again))
	}
}

// TestSampleThisMachine burns a processor for a while and finds itself, as a measured
// program, in the window.
func TestSampleThisMachine(t *testing.T) {
	if testing.Short() {
		t.Skip("burns a processor for two seconds")
	}
	b := New(Options{Period: 100 * time.Millisecond})
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Sample(ctx) }()
	before := owncost.Now().Processor
	from := time.Now()
	x := 1.0
	for time.Since(from) < 2*time.Second {
		x = math.Sqrt(x + 2)
	}
	runtime.KeepAlive(x)
	to := time.Now()
	// On a busy machine the process gets less than a processor: what it really got counts.
	got := 100 * (owncost.Now().Processor - before).Seconds() / to.Sub(from).Seconds()
	tel, err := b.Window(from, to)
	stop()
	if err := <-done; err != context.Canceled {
		t.Errorf("Sample ended with %v", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	if len(tel.At) < 5 {
		t.Fatalf("%d samples in 2 s at 10 a second", len(tel.At))
	}
	for _, name := range []string{record.SeriesBusy, record.SeriesMemAvail} {
		s, ok := tel.Find(name)
		if !ok || len(s.Known()) == 0 {
			t.Errorf("%s: no numbers", name)
		}
		if len(s.Values) != len(tel.At) {
			t.Errorf("%s: %d values for %d samples", name, len(s.Values), len(tel.At))
		}
	}
	own := 0.0
	for _, p := range tel.Processes {
		if p.PID == os.Getpid() {
			own = p.Percent
		}
	}
	if own < got/2 || own > 2*got {
		t.Errorf("this process took %.0f %% of a processor and shows as %.0f %%: %+v", got, own, tel.Processes)
	}
}

func TestWindowSaysWhyItIsEmpty(t *testing.T) {
	b := New(Options{})
	now := time.Now()
	for _, c := range []struct {
		from, to time.Time
		say      string
	}{
		{now, now.Add(time.Second), "sampling has not begun"},
		{now.Add(time.Second), now, "ends at"},
	} {
		if _, err := b.Window(c.from, c.to); err == nil || !strings.Contains(err.Error(), c.say) {
			t.Errorf("got %v, want %q", err, c.say)
		}
	}
}

func BenchmarkSample(b *testing.B) {
	bench := New(Options{})
	s, err := bench.startSampling()
	if err != nil {
		b.Fatal(err)
	}
	defer bench.stopSampling(s)
	row := make([]float64, len(bench.ring.cols))
	s.turn.Store(1)
	for range 3 * process.Round { // past discovery of the processes and their names
		s.sample(1, row)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.sample(1, row)
	}
}
