package disturbance

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/record"
)

func rounds(n int, effect func(i int) float64) []round {
	var out []round
	for i := range n {
		v := 100 * (1 - 0.001*float64(i)) // the machine gets slower all the time
		e := effect(i)
		out = append(out, round{without: record.Metrics{AvgFPS: v, Low1FPS: v / 2}, with: record.Metrics{AvgFPS: v * e, Low1FPS: v * e / 2}})
	}
	return out
}

func TestJudge(t *testing.T) {
	wobble := func(i int) float64 { return 1 + 0.0002*float64(i%3-1) }
	l := judge(1, series{rounds: rounds(9, wobble)})[0]
	if !l.Typical.Within05 || !l.Typical.Within01 || !l.Mean.Within01 || math.Abs(l.Typical.Relative) > 1e-4 {
		t.Errorf("nothing but noise: %+v", l)
	}
	l = judge(1, series{rounds: rounds(9, func(i int) float64 { return 0.98 * wobble(i) })})[0]
	if l.Typical.Within05 || math.Abs(l.Typical.Relative+0.02) > 1e-3 || *l.Typical.CIHigh > -0.015 || math.Abs(l.Mean.Relative+0.02) > 1e-3 {
		t.Errorf("2 %% slower: %+v", l)
	}
	l = judge(1, series{rounds: rounds(9, func(i int) float64 { return 1 + 0.05*float64(i%3-1) })})[0]
	if l.Typical.Within05 || l.Mean.Within05 || *l.Typical.Least < 0.005 {
		t.Errorf("a noisy machine proves nothing: %+v", l)
	}
	// One round in ten is held up by something else: the mean proves nothing, the centre does.
	l = judge(1, series{rounds: rounds(60, func(i int) float64 {
		if i%10 == 0 {
			return 1 + 0.1*float64(i/10%2*2-1)
		}
		return wobble(i)
	})})[0]
	if !l.Typical.Within05 || l.Mean.Within05 {
		t.Errorf("a machine held up now and then: %+v", l)
	}
	// The agent costs 5 % in one round of ten: the typical round does not show it, the mean does.
	l = judge(1, series{rounds: rounds(60, func(i int) float64 {
		if i%10 == 0 {
			return 0.95
		}
		return wobble(i)
	})})[0]
	if l.Mean.Within05 || *l.Mean.CIHigh > -0.001 {
		t.Errorf("an agent that costs much now and then: %+v", l)
	}
}

// TestSplitRounds: frames are given to the blocks they lie in, whole, and an agent that
// costs 1 % shows as 1 % under a machine that gets slower all the time.
func TestSplitRounds(t *testing.T) {
	start := time.Unix(1000, 0)
	rng := rand.New(rand.NewPCG(1, 2))
	var at []time.Time
	var with []bool
	for i := range 40 {
		first := i/4%2 == 0
		at = append(at, start.Add(time.Duration(i)*time.Second+100*time.Millisecond))
		with = append(with, []bool{first, !first, !first, first}[i%4])
	}
	threads := make([][]frame, 2)
	for k := range threads {
		for now := start; now.Before(start.Add(40 * time.Second)); {
			i := int(now.Sub(start).Seconds())
			took := 4 * (1 + 0.002*now.Sub(start).Seconds()) * (1 + 0.001*rng.NormFloat64())
			if with[i] {
				took *= 1.01
			}
			f := frame{took: time.Duration(took * 1e6)}
			now = now.Add(f.took)
			f.end = now
			threads[k] = append(threads[k], f)
		}
	}
	got, err := splitRounds(threads, at, with, 900*time.Millisecond)
	if err != nil || len(got) != 10 {
		t.Fatalf("%d rounds, %v", len(got), err)
	}
	l := judge(2, series{rounds: got})[0]
	if math.Abs(l.Typical.Relative+0.01/1.01) > 2e-4 || *l.Typical.CIHigh > -0.009 {
		t.Errorf("%+v", l)
	}
	if _, err := splitRounds([][]frame{nil}, at, with, time.Second); err == nil {
		t.Error("rounds without a frame have no figures")
	}
}

// TestGrowingLog: the log grows row by row while it is held open, reads as one, and is
// closed at the end.
func TestGrowingLog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pass.csv")
	l, err := startLog(path, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for size := int64(0); size < 500; {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		size = info.Size()
		runtime.Gosched()
	}
	if err := l.stop(); err != nil {
		t.Fatal(err)
	}
	if err := l.stop(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	rows := strings.Split(strings.TrimSpace(string(text)), "\n")
	if err != nil || rows[0] != "frame_ms" || len(rows) < 80 || rows[1] != "10.0" {
		t.Errorf("%q, %v", text, err)
	}
	if _, err := startLog(path, 5); err == nil {
		t.Error("a log that is there was overwritten")
	}
	if err := (*growingLog)(nil).stop(); err != nil {
		t.Error(err)
	}
}

func TestFrameLoops(t *testing.T) {
	l := startFrameLoop(2, time.Second)
	l.stop()
	for _, frames := range l.frames() {
		last := l.start
		for i, f := range frames {
			if !f.begin().Equal(last) || f.took <= 0 {
				t.Fatalf("frame %d begins at %s, the one before ended at %s", i, f.begin(), last)
			}
			last = f.end
		}
		if len(frames) == 0 {
			t.Error("a thread made no frame")
		}
	}
}
