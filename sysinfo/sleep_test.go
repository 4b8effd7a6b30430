package sysinfo

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// slept returns what a window says of the machine's sleep, in all; NaN where it says nothing.
func slept(t *testing.T, b *Bench, from, to time.Time) (sum float64) {
	t.Helper()
	w, err := b.Window(from, to)
	if err != nil {
		t.Fatal(err)
	}
	s, told := w.Find(record.SeriesSlept)
	if !told {
		return math.NaN()
	}
	for _, v := range s.Values {
		sum += v
	}
	return sum
}

// TestSleep: a machine that slept for 40 s between two samples slept in a pass that holds both, in
// one of which it is the first or the last thing, and not in those before and after.
func TestSleep(t *testing.T) {
	asleep := 3 * time.Hour // before the agent began
	d := newBed(t, "desktop-b")
	d.b.testOnlyAsleep = func() (time.Duration, bool) { return asleep, true }
	d.start()
	at := func(s float64) time.Time { return noon.Add(seconds(s)) }
	for s := range 61 {
		if s > 20 && s < 60 {
			continue // asleep from 20.2 to 59.8
		}
		if s == 60 {
			asleep += 39_600 * time.Millisecond
		}
		asleep += 20 * time.Microsecond // what two clocks differ by that are read one after the other
		d.sampleAt(at(float64(s)))
	}
	for s := 61; s < 80; s++ {
		d.sampleAt(at(float64(s)))
	}
	for _, c := range []struct{ from, to, want float64 }{
		{5, 75, 39.6},
		{5, 19.9, 0}, {5, 20.1, 0}, // over before
		{60.4, 75, 0}, // begun after
		{59.9, 75, 0}, // perhaps begun between waking and the first sample
		{30, 75, 29.6},
		{5, 59.9, 39.5}, // its log was closed before the next sample
	} {
		if got := slept(t, d.b, at(c.from), at(c.to)); math.Abs(got-c.want) > 0.01 {
			t.Errorf("from %g to %g s: slept for %g s, want %g", c.from, c.to, got, c.want)
		}
	}
}

// TestSleepUnknown: where nothing tells of sleep the window says so, and no sleep is invented
// between a sample that knows and one that does not.
func TestSleepUnknown(t *testing.T) {
	d := newBed(t, "desktop-b")
	d.start()
	for s := range 5 {
		d.sampleAt(noon.Add(time.Duration(s) * time.Second))
	}
	w, err := d.b.Window(noon, noon.Add(5*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	if _, told := w.Find(record.SeriesSlept); told || !hasGap(w, record.SeriesSlept) {
		t.Errorf("%+v", w.Missing)
	}
	var n nap
	if got := []float64{n.since(time.Hour, true), n.since(0, false), n.since(2*time.Hour, true), n.since(2*time.Hour+time.Minute, true)}; got[0] != -1 || got[1] != -1 || got[2] != -1 || got[3] != 60 {
		t.Errorf("%v", got)
	}
}

// TestSleepOfWindows: two counts of 100 ns, one of which stands still in sleep; they may be a step
// of the timer apart.
func TestSleepOfWindows(t *testing.T) {
	for _, c := range []struct {
		all, awake uint64
		want       time.Duration
		told       bool
	}{
		{90_000_000_000, 90_000_000_000, 0, true}, {90_000_000_000, 50_000_000_000, 4000 * time.Second, true},
		{90_000_000_000, 90_000_150_000, -15 * time.Millisecond, true}, {1, 90_000_000_000, 0, false}, {1 << 60, 5, 0, false},
	} {
		ask := liar{winsys.NewRecorded(), winsys.InterruptTimes, func(_ winsys.Asker, _ winsys.Question, out []byte) (int, winsys.Status) {
			binary.LittleEndian.PutUint64(out, c.all)
			binary.LittleEndian.PutUint64(out[8:], c.awake)
			return 16, winsys.OK
		}}
		if got, told := New(Options{Windows: ask}).asleep(); got != c.want || told != c.told {
			t.Errorf("%d of %d: %s, %v", c.awake, c.all, got, told)
		}
	}
	if _, told := New(Options{Windows: winsys.NewRecorded()}).asleep(); told {
		t.Error("a machine that says nothing has slept")
	}
}

// TestSleepHere: this machine knows of its own sleep, on Linux by its clocks, on Windows (and
// under Wine) by the system's counts, and did not sleep between two questions.
func TestSleepHere(t *testing.T) {
	b := New(Options{})
	first, told := b.asleep()
	again, _ := b.asleep()
	if !told || first < -time.Second || again-first > sleepLeast || again-first < -sleepLeast {
		t.Errorf("%s, then %s (%v)", first, again, told)
	}
}
