package sysinfo

import (
	"context"
	"path/filepath"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/tree"
)

// calmBed is a machine of two processors that has been calm for long, with a glance at
// its idle time.
func calmBed(t *testing.T) *bed {
	d := newBed(t, "virtual")
	d.set("proc/stat", "cpu  100 0 0 700 0 0 0 0\ncpu0 50 0 0 350 0 0 0 0\ncpu1 50 0 0 350 0 0 0 0\n")
	d.start()
	machinetest.Write(t, filepath.Join(d.root, "proc/uptime"), []byte("1000.00 1900.00\n"))
	f, err := tree.Open(d.b.tree.Path("/proc/uptime"))
	if err != nil {
		t.Fatal(err)
	}
	d.set("sys/devices/system/cpu/online", "0-1\n")
	d.s.glance = newGlance(f, d.b.tree)
	d.sampleAt(noon)
	d.s.glance.load()
	d.s.busyAt = noon.Add(-time.Hour)
	return d
}

// TestGlance: a calm machine is sampled again when its idle time says that something
// runs, when a minute has passed, and when the idle time tells nothing.
func TestGlance(t *testing.T) {
	for _, c := range []struct {
		name, uptime string
		after        time.Duration
		rests        bool
	}{
		{"nothing runs", "1005.00 1909.95\n", 5 * time.Second, true},
		{"half a processor is busy", "1005.00 1907.50\n", 5 * time.Second, false},
		{"a minute", "1060.00 2019.90\n", time.Minute, false},
		{"a little more idle than there was time", "1005.00 1910.05\n", 5 * time.Second, true},
		{"more idle than two processors can be", "1005.00 1914.00\n", 5 * time.Second, false},
		{"the clock stood still", "1000.00 1900.00\n", 5 * time.Second, false},
		{"it ran backwards", "1005.00 1800.00\n", 5 * time.Second, false},
		{"nonsense", "x y\n", 5 * time.Second, false},
		{"one number", "1005.00\n", 5 * time.Second, false},
		{"empty", "", 5 * time.Second, false},
	} {
		d := calmBed(t)
		d.set("proc/uptime", c.uptime)
		if got := d.s.rests(noon.Add(c.after)); got != c.rests {
			t.Errorf("%s: rests %v", c.name, got)
		}
	}
	d := calmBed(t)
	d.s.busyAt = noon
	if d.s.rests(noon.Add(time.Second)) {
		t.Error("a machine that was just busy rests")
	}
}

// TestProcessorsSwitchedOn: a machine that has two more processors than before is busy,
// not at rest, when two of four work.
func TestProcessorsSwitchedOn(t *testing.T) {
	d := calmBed(t)
	d.set("sys/devices/system/cpu/online", "0-3\n")
	d.set("proc/uptime", "1005.00 1910.00\n") // two processors' worth of idle time
	if d.s.rests(noon.Add(5 * time.Second)) {
		t.Error("two of four processors work, and the machine rests")
	}
	// In the middle of a rest it is found out with the next full sample.
	d = calmBed(t)
	d.set("proc/uptime", "1005.00 1910.00\n")
	if !d.s.rests(noon.Add(5 * time.Second)) {
		t.Fatal("an idle machine does not rest")
	}
	d.set("sys/devices/system/cpu/online", "0-3\n")
	d.sampleAt(noon.Add(30 * time.Second))
	d.set("proc/uptime", "1035.00 1970.00\n")
	if d.s.rests(noon.Add(35 * time.Second)) {
		t.Error("after a sample the processors are not counted again")
	}
}

// TestLoadSinceTheLastGlanceWakes: whether the machine works is told by the seconds since
// the last glance; the mean of the whole rest would hide what has just begun.
func TestLoadSinceTheLastGlanceWakes(t *testing.T) {
	for _, c := range []struct {
		uptime string
		pace   time.Duration
	}{
		{"1030.00 1958.00\n", time.Second},     // 0.4 processors in 5 s
		{"1030.00 1959.20\n", 5 * time.Second}, // 0.16: worth a sample, not yet work
	} {
		d := calmBed(t)
		d.set("proc/uptime", "1025.00 1950.00\n")
		if !d.s.rests(noon.Add(25 * time.Second)) {
			t.Fatal("an idle machine does not rest")
		}
		at := noon.Add(29 * time.Second)
		d.set("proc/uptime", c.uptime)
		if d.s.rests(at) {
			t.Fatal("what runs is not seen")
		}
		d.set("proc/stat", "cpu  300 0 0 6600 0 0 0 0\ncpu0 250 0 0 3200 0 0 0 0\ncpu1 50 0 0 3400 0 0 0 0\n")
		d.sampleAt(at)
		if got := d.s.pace(at.Add(time.Second)); got != c.pace {
			t.Errorf("%q: the next sample comes after %v, want %v", c.uptime, got, c.pace)
		}
	}
}

// TestWakingMachine: what the first sample after a rest tells is mostly of the rest, so
// that it does not count for a pass that began in between; rest itself is no hole.
func TestWakingMachine(t *testing.T) {
	d := calmBed(t)
	at := noon
	rest := func(s time.Duration) {
		at = at.Add(s * time.Second)
		d.s.rested = true
		d.sampleAt(at)
	}
	rest(30)
	quiet, err := d.b.Window(noon.Add(2*time.Second), at.Add(time.Second))
	if err != nil || hasGap(quiet, "samples") {
		t.Errorf("a rest counts as missing samples: %v %+v", err, quiet)
	}
	rest(25)
	woke := at
	for i := range 20 {
		at = at.Add(time.Second)
		d.set("proc/stat", busyStat(100+200*(i+1)))
		d.sampleAt(at)
	}
	tel, err := d.b.Window(woke.Add(-4*time.Second), at)
	if err != nil {
		t.Fatal(err)
	}
	busy, _ := tel.Find(record.SeriesBusy)
	for i, v := range busy.Values {
		if v < 99 {
			t.Errorf("sample %d of a pass at full load: %g %% busy", i, v)
		}
	}
	if hasGap(tel, "samples") || len(tel.At) != 20 {
		t.Errorf("%d samples, %+v", len(tel.At), tel.Missing)
	}
}

func busyStat(user int) string {
	half := user / 2
	return "cpu  " + strconv.Itoa(user) + " 0 0 700 0 0 0 0\ncpu0 " + strconv.Itoa(half) + " 0 0 350 0 0 0 0\ncpu1 " + strconv.Itoa(half) + " 0 0 350 0 0 0 0\n"
}

// TestHasten: a log that is being written makes samples frequent on a calm machine.
func TestHasten(t *testing.T) {
	root := machinetest.Unpack(t, "virtual")
	synctest.Test(t, func(t *testing.T) {
		b := New(Options{Root: root})
		b.Hasten() // nothing to hasten yet
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Sample(ctx) }()
		time.Sleep(2*time.Minute + 500*time.Millisecond)
		from := time.Now()
		b.Hasten()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		tel, err := b.Window(from, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if n := len(tel.At); n != 10 {
			t.Errorf("%d samples in 10 s", n)
		}
		stop()
		<-done
		b.Hasten() // no longer
	})
}

func TestUptimeHere(t *testing.T) {
	g := openGlance(tree.New(""))
	if g == nil {
		t.Skip("no /proc/uptime of the kernel's own here")
	}
	defer g.close()
	if _, known := g.load(); known {
		t.Error("a load at the first look")
	}
	n, _ := g.f.Read(g.buf[:])
	if up, idle, ok := parseUptime(g.buf[:n]); !ok || up <= 0 || idle < 0 {
		t.Errorf("%q", g.buf[:n])
	}
	if n := testing.AllocsPerRun(20, func() { g.load() }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
