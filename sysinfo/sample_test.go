package sysinfo

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/sensor"
)

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

// TestRates changes the kernel's counters between two samples a second apart.
func TestRates(t *testing.T) {
	d := newBed(t, "desktop-b")
	d.set("proc/stat", "cpu  100 0 0 700 0 0 0 0 0 0\ncpu0 50 0 0 350 0 0 0 0 0 0\ncpu1 50 0 0 350 0 0 0 0 0 0\n")
	d.start()
	for i := range 4 { // the file with the faults is read in every fourth sample
		d.sampleAt(noon.Add(time.Duration(i-3) * time.Second))
	}
	// 100 ticks of the two processors: 75 busy, 20 idle, 5 waiting for a drive, and 10
	// more stolen. Guest time stands inside user time and must not count twice.
	d.set("proc/stat", "cpu  170 0 5 720 5 0 0 10 40 0\ncpu0 100 0 0 350 0 0 0 0 0 0\ncpu1 70 0 5 370 5 0 0 10 0 0\n")
	d.set("proc/vmstat", "pgmajfault 150\npswpin 40\n")
	d.set("sys/class/powercap/intel-rapl:0/energy_uj", "21171150\n") // past the counter's end
	d.sampleAt(noon.Add(time.Second))
	machinetest.Near(t, "busy", d.value(record.SeriesBusy), 75)
	machinetest.Near(t, "core 0", d.value("cpu.core.0.busy"), 100)
	machinetest.Near(t, "core 1", d.value("cpu.core.1.busy"), 50)
	machinetest.Near(t, "steal", d.value(record.SeriesSteal), 5)
	machinetest.Near(t, "swap in", d.value(record.SeriesSwapIn), 10)
	machinetest.Near(t, "faults", d.value("mem.major_faults"), 7.5)
	machinetest.Near(t, "power over the wrap", d.value(record.SeriesCPUPower), (262143.328850-262143.0)+21.17115)
}

// TestVanishedSensor: a sensor that goes, answers nonsense or goes back is no number, and
// the others go on.
func TestVanishedSensor(t *testing.T) {
	d := newBed(t, "desktop-a")
	d.start()
	for i := range 4 {
		d.sampleAt(noon.Add(time.Duration(i-3) * time.Second))
	}
	machinetest.Near(t, "die", d.value(record.SeriesCPUTemp), 58.25)
	d.set("sys/class/hwmon/hwmon3/temp2_input", "nonsense\n")
	d.set("proc/vmstat", "pgmajfault 20\npswpin 0\n") // less than before: counted anew
	d.set("sys/class/drm/card1/device/gpu_metrics", "\x04\x00\x09\x09")
	d.sampleAt(noon.Add(time.Second))
	for _, name := range []string{record.SeriesCPUTemp, "mem.major_faults", "gpu.0.throttle"} {
		if v := d.value(name); !math.IsNaN(v) {
			t.Errorf("%s = %g, want no number", name, v)
		}
	}
	machinetest.Near(t, "hot spot", d.value("gpu.0.temp_hotspot"), 84)
}

// stat is a line of /proc/PID/stat with user time in ticks.
func stat(pid int, name string, parent, ticks int) string {
	return fmt.Sprintf("%d (%s) R %d 1 1 0 -1 0 0 0 0 0 %d 0 0 0 20 0 1 0 100 0 0\n", pid, name, parent, ticks)
}

// lab is a bed whose processes and processor times a test moves second by second.
type lab struct {
	*bed
	ticks map[int]int
	names map[int]string
	total int
	at    time.Time
}

func newLab(t *testing.T) *lab {
	l := &lab{bed: newBed(t, "virtual"), ticks: map[int]int{}, names: map[int]string{}, at: noon}
	l.stat()
	return l
}

func (l *lab) add(pid int, name string) {
	l.names[pid] = name
	path := filepath.Join(l.root, fmt.Sprint("proc/", pid))
	machinetest.Write(l.t, filepath.Join(path, "stat"), []byte(stat(pid, name, 1, l.ticks[pid])))
}

func (l *lab) stat() {
	l.set("proc/stat", fmt.Sprintf("cpu  %d 0 0 100000 0 0 0 0\ncpu0 %d 0 0 100000 0 0 0 0\n", l.total, l.total))
}

// second lets a second pass in which processes use ticks, and hidden ones more.
func (l *lab) second(use map[int]int, hidden int) {
	l.at = l.at.Add(time.Second)
	for pid, n := range use {
		l.ticks[pid] += n
		l.total += n
		l.set(fmt.Sprintf("proc/%d/stat", pid), stat(pid, l.names[pid], 1, l.ticks[pid]))
	}
	l.total += hidden
	l.stat()
	l.sampleAt(l.at)
}

// TestWhoWasIt: the game is the program that worked through the whole window; the rest
// is the background, and who it was.
func TestWhoWasIt(t *testing.T) {
	l := newLab(t)
	l.add(10, "a game) (x") // a name with brackets and spaces
	l.add(20, "indexer")
	l.add(30, "quiet")
	l.start()
	l.sampleAt(l.at)
	for range 60 {
		l.second(map[int]int{10: 80}, 0)
	}
	for range 10 {
		l.second(map[int]int{10: 80, 20: 50}, 10)
	}
	tel, err := l.b.WindowFor(noon.Add(10*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	use := map[string]record.ProcessUse{}
	for _, p := range tel.Processes {
		use[p.Name] = p
	}
	if g := use["a game) (x"]; !g.Game || math.Abs(g.Percent-80) > 1 {
		t.Errorf("game %+v", g)
	}
	if p := use["indexer"]; p.Game || math.Abs(p.Percent-50*10/61.0) > 1 {
		t.Errorf("indexer %+v", p)
	}
	if p := use[shortLived]; math.Abs(p.Percent-10*10/61.0) > 1 {
		t.Errorf("short-lived %+v", p)
	}
	bg, ok := tel.Find(record.SeriesBackground)
	if !ok {
		t.Fatalf("no background: %+v", tel.Missing)
	}
	machinetest.Near(t, "quiet second", bg.Values[5], 0)
	machinetest.Near(t, "last second", bg.Values[len(bg.Values)-1], 60)
}

// TestTwoAlike: where two programs could be the game the record says so and the
// background is the total less the larger.
func TestTwoAlike(t *testing.T) {
	l := newLab(t)
	l.add(10, "scene")
	l.add(20, "loop")
	l.start()
	l.sampleAt(l.at)
	for range 30 {
		l.second(map[int]int{10: 100, 20: 95}, 0)
	}
	tel, err := l.b.Window(noon, l.at)
	if err != nil {
		t.Fatal(err)
	}
	var said string
	for _, g := range tel.Missing {
		if g.Name == record.SeriesGame {
			said = g.Text
		}
	}
	if !strings.Contains(said, "scene") || !strings.Contains(said, "loop") {
		t.Errorf("not said: %q", said)
	}
	bg, _ := tel.Find(record.SeriesBackground)
	machinetest.Near(t, "background", bg.Values[20], 95)
	// The log's own name settles it.
	tel, _ = l.b.WindowFor(noon, l.at, `C:\Games\LOOP.exe`)
	bg, _ = tel.Find(record.SeriesBackground)
	machinetest.Near(t, "background of loop.exe", bg.Values[20], 100)
}

// TestNewcomer: a program that begins in the middle is found at once, since its load
// jumps, and is not taken for the game although it uses most.
func TestNewcomer(t *testing.T) {
	l := newLab(t)
	l.add(10, "scene")
	l.start()
	l.sampleAt(l.at)
	for range 23 {
		l.second(map[int]int{10: 40}, 0)
	}
	l.add(99, "updater")
	for range 5 {
		l.second(map[int]int{10: 40, 99: 180}, 0)
	}
	tel, err := l.b.Window(noon, l.at)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range tel.Processes {
		switch {
		case p.Name == "scene" && !p.Game, p.Name == "updater" && p.Game:
			t.Errorf("%+v", p)
		case p.Name == "updater" && math.Abs(p.Percent-5*180/28.0) > 2:
			t.Errorf("updater %+v", p)
		}
	}
}

func TestEndedProcess(t *testing.T) {
	l := newLab(t)
	l.add(10, "scene")
	l.add(20, "helper")
	l.start()
	l.sampleAt(l.at)
	for range 12 {
		l.second(map[int]int{10: 60, 20: 30}, 0)
	}
	l.set("proc/20/stat", "") // what a kept descriptor of an ended process gives: nothing
	if err := os.RemoveAll(filepath.Join(l.root, "proc/20")); err != nil {
		t.Fatal(err)
	}
	for range 12 {
		l.second(map[int]int{10: 60}, 0)
	}
	for _, p := range l.b.table.Running() {
		if p.PID == 20 {
			t.Error("an ended process is still followed")
		}
	}
	tel, err := l.b.Window(noon, l.at)
	if err != nil {
		t.Fatal(err)
	}
	bg, _ := tel.Find(record.SeriesBackground)
	machinetest.Near(t, "background after its end", bg.Values[20], 0)
}

// stuckSource blocks in its second read until it is let go.
type stuckSource struct {
	reads int
	let   chan struct{}
}

func (s *stuckSource) Label() string { return "stuck" }
func (s *stuckSource) Columns() []sensor.Column {
	return []sensor.Column{{Name: "stuck", Unit: "", Source: "test"}}
}
func (s *stuckSource) Close() {}
func (s *stuckSource) Read(row []float64, _ time.Time) {
	if s.reads++; s.reads == 2 {
		<-s.let
	}
	row[0] = float64(s.reads)
}

// TestReadThatDoesNotReturn: sampling goes on without the source, says so, and takes it
// back when it returns.
func TestReadThatDoesNotReturn(t *testing.T) {
	root := machinetest.Unpack(t, "virtual")
	synctest.Test(t, func(t *testing.T) {
		stuck := &stuckSource{let: make(chan struct{})}
		b := New(Options{Root: root})
		b.testOnlySources = []sensor.Source{stuck}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		start := time.Now()
		go func() { done <- b.Sample(ctx) }()
		time.Sleep(20 * time.Second) // in a bubble: no real time passes
		synctest.Wait()
		tel, err := b.Window(start, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if n := len(tel.At); n < 14 {
			t.Errorf("only %d samples in 20 s", n)
		}
		for _, at := range tel.At {
			if at.Nanosecond() != 0 {
				t.Errorf("a sample at %s is not at a whole second", at)
			}
		}
		said := false
		for _, g := range tel.Missing {
			said = said || g.Name == "stuck" && g.Why == record.Broken
		}
		if !said {
			t.Errorf("nothing said of the stuck source: %+v", tel.Missing)
		}
		close(stuck.let)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if tel, _ := b.Window(start, time.Now()); hasGap(tel, "stuck") {
			t.Error("the source is still called stuck")
		}
		if stuck.reads < 4 {
			t.Errorf("the source was not taken back: %d reads", stuck.reads)
		}
		stop()
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Errorf("ended with %v", err)
		}
	})
}

// TestCalmMachine: where nothing is busy samples become rare.
func TestCalmMachine(t *testing.T) {
	root := machinetest.Unpack(t, "virtual")
	synctest.Test(t, func(t *testing.T) {
		var told []string
		start := time.Now()
		b := New(Options{Root: root, Calm: func(calm bool) { told = append(told, fmt.Sprint(calm, time.Since(start))) }})
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Sample(ctx) }()
		time.Sleep(2 * time.Minute)
		calm := time.Now()
		time.Sleep(time.Minute)
		synctest.Wait()
		tel, err := b.Window(calm, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if n := len(tel.At); n < 11 || n > 13 {
			t.Errorf("%d samples in a calm minute, want 12", n)
		}
		if _, err := b.Window(calm.Add(-time.Hour), calm.Add(-50*time.Minute)); err == nil || !strings.Contains(err.Error(), "the oldest is of") {
			t.Errorf("before the first: %v", err)
		}
		tel, _ = b.Window(calm, calm.Add(10*time.Minute))
		if g := tel.Missing[len(tel.Missing)-1]; !hasGap(tel, "samples") {
			t.Errorf("nothing said of the nine minutes without samples: %+v", g)
		}
		b.Hasten()
		synctest.Wait()
		stop()
		<-done
		if got := strings.Join(told, ", "); got != "true 31s, false 3m0s" {
			t.Errorf("told of calm: %s", got)
		}
	})
}

func hasGap(t *record.Telemetry, name string) bool {
	for _, g := range t.Missing {
		if g.Name == name {
			return true
		}
	}
	return false
}

func TestManyProcessors(t *testing.T) {
	d := newBed(t, "virtual")
	var text strings.Builder
	for i := -1; i < 256; i++ {
		name := "cpu "
		if i >= 0 {
			name = fmt.Sprint("cpu", i)
		}
		fmt.Fprintln(&text, name, "18446744073 18446744073 18446744073 18446744073 18446744073 18446744073 18446744073 18446744073 0 0")
	}
	d.set("proc/stat", text.String())
	d.start()
	d.sampleAt(noon)
	d.sampleAt(noon.Add(time.Second))
	if d.b.ring.index("cpu.core.255.busy") < 0 {
		t.Error("the last processor is missing")
	}
}

// TestDrives: few drives are read one by one, and one that is taken away ends in no rate.
func TestDrives(t *testing.T) {
	d := newBed(t, "desktop-a")
	d.start()
	stat := func(drive string, read, written int) {
		d.set("sys/block/"+drive+"/stat", fmt.Sprintf("  10 0 %d 5 20 0 %d 7 0 0 12 0 0 0 0 0 0\n", read, written))
	}
	stat("sda", 1000, 2000)
	stat("nvme0n1", 100, 200)
	d.sampleAt(noon)
	stat("sda", 1004, 2000)
	stat("nvme0n1", 104, 202)
	d.sampleAt(noon.Add(2 * time.Second))
	machinetest.Near(t, "read", d.value(record.SeriesDiskRead), 8*512/2.0)
	machinetest.Near(t, "written", d.value(record.SeriesDiskWrite), 2*512/2.0)
	stat("sda", 0, 0) // what a drive that went and came back tells
	d.sampleAt(noon.Add(3 * time.Second))
	if v := d.value(record.SeriesDiskRead); !math.IsNaN(v) {
		t.Errorf("read %g after a drive was taken away", v)
	}
	stat("nvme0n1", 106, 202)
	d.sampleAt(noon.Add(4 * time.Second))
	machinetest.Near(t, "read of the other", d.value(record.SeriesDiskRead), 2*512)
}

// TestTurns: a costly source is read in its turns, its last rates stand in between, and
// what failed is not repeated as if it were known.
func TestTurns(t *testing.T) {
	d := newBed(t, "virtual")
	d.set("sys/class/net/eth0/device/vendor", "0x1af4\n")
	net := func(received int) string {
		return fmt.Sprintf("h\nh\n  eth0: %d 1 0 0 0 0 0 0 500 1 0 0 0 0 0 0\n", received)
	}
	d.set("proc/net/dev", net(1000))
	d.start()
	for i, want := range []float64{math.NaN(), 500, 500, 750, 750, math.NaN(), math.NaN()} {
		d.set("proc/net/dev", net(1000+500*i+map[bool]int{true: 500}[i == 3]))
		if i == 5 {
			d.set("proc/net/dev", net(0))
		}
		d.sampleAt(noon.Add(time.Duration(i) * time.Second))
		got := d.value(record.SeriesNetRecv)
		if math.IsNaN(got) != math.IsNaN(want) || !math.IsNaN(want) && math.Abs(got-want) > 1e-6 {
			t.Errorf("sample %d: %g, want %g", i, got, want)
		}
	}
}

// TestTurnsInAWindow: what is read in turns tells of the seconds since the turn before,
// not of those that follow, and of none of which it covers the rest before the pass.
func TestTurnsInAWindow(t *testing.T) {
	start := func(t *testing.T) (*bed, func(second, received int)) {
		d := newBed(t, "virtual")
		d.set("sys/class/net/eth0/device/vendor", "0x1af4\n")
		net := func(n int) {
			d.set("proc/net/dev", fmt.Sprintf("h\nh\n  eth0: %d 1 0 0 0 0 0 0 500 1 0 0 0 0 0 0\n", n))
		}
		net(0)
		d.start()
		return d, func(second, received int) {
			net(received)
			d.sampleAt(noon.Add(time.Duration(second) * time.Second))
		}
	}
	check := func(t *testing.T, d *bed, from, to float64, want ...float64) {
		t.Helper()
		tel, err := d.b.Window(noon.Add(seconds(from)), noon.Add(seconds(to)))
		if err != nil {
			t.Fatal(err)
		}
		got, _ := tel.Find(record.SeriesNetRecv)
		if fmt.Sprint(got.Values) != fmt.Sprint(want) {
			t.Errorf("from %g to %g s: %v, want %v", from, to, got.Values, want)
		}
	}
	none := math.NaN()
	t.Run("burst", func(t *testing.T) {
		d, sample := start(t)
		for i := range 9 { // read at 0, 1, 3, 5 and 7 s; all is received in the fourth second
			sample(i, map[bool]int{true: 1000}[i >= 4])
		}
		check(t, d, 0, 8, none, 0, 0, 0, 500, 500, 0, 0, none)
		check(t, d, 2.5, 6.5, none, 500, 500, 0) // the last is read after the window
		check(t, d, 4, 5, 500, 500)
	})
	t.Run("rest", func(t *testing.T) {
		d, sample := start(t)
		sample(0, 0)
		sample(1, 0)
		d.s.rested = true
		sample(31, 60000)
		for i := range 6 {
			sample(32+i, 62000+10*i)
		}
		check(t, d, 30.5, 36, none, 10, 10, 10, 10)
	})
}

// TestManySensors: every sample asks the package and some cores, and in turn all cores.
func TestManySensors(t *testing.T) {
	d := newBed(t, "virtual")
	set := func(name, text string) {
		machinetest.Write(t, filepath.Join(d.root, "sys/class/hwmon/hwmon9", name), []byte(text))
	}
	set("name", "coretemp\n")
	set("temp1_label", "Package id 0\n")
	set("temp1_input", "71000\n")
	for i := range 16 {
		set(fmt.Sprintf("temp%d_label", i+2), fmt.Sprintf("Core %d\n", i))
		set(fmt.Sprintf("temp%d_input", i+2), fmt.Sprintf("%d000\n", 40+i))
	}
	d.start()
	seen := map[int]bool{}
	for n := range 4 {
		d.sampleAt(noon.Add(time.Duration(n) * time.Second))
		machinetest.Near(t, "package", d.value(record.SeriesCPUTemp), 71)
		asked := 0
		for i := range 16 {
			if v := d.value(fmt.Sprintf("%s.core_%d", record.SeriesCPUTemp, i)); !math.IsNaN(v) {
				machinetest.Near(t, "core", v, float64(40+i))
				seen[i], asked = true, asked+1
			}
		}
		if asked != 4 {
			t.Errorf("%d cores in a sample, want 4", asked)
		}
	}
	if len(seen) != 16 {
		t.Errorf("%d of 16 cores after four samples", len(seen))
	}
}

// TestSleepInAPass: a machine that slept in the middle of a window has no samples of that
// time; the window says so, and what came after is not spread over the sleep.
func TestSleepInAPass(t *testing.T) {
	d := newBed(t, "virtual")
	d.start()
	at := noon
	sample := func(user int) {
		d.set("proc/stat", busyStat(user))
		d.sampleAt(at)
	}
	for i := range 10 {
		sample(100 + 200*i)
		at = at.Add(time.Second)
	}
	at = at.Add(time.Hour) // the processor times stand still meanwhile
	for i := range 10 {
		sample(2000 + 200*i)
		at = at.Add(time.Second)
	}
	tel, err := d.b.Window(noon, at)
	if err != nil {
		t.Fatal(err)
	}
	said := ""
	for _, g := range tel.Missing {
		if g.Name == "samples" {
			said = g.Text
		}
	}
	if !strings.HasPrefix(said, "3601 of 3620 s") {
		t.Errorf("of the sleep it says %q", said)
	}
	busy, _ := tel.Find(record.SeriesBusy)
	for i, v := range busy.Values {
		if i > 0 && v < 99 {
			t.Errorf("sample %d: %g %% busy", i, v)
		}
	}
}

// TestClockSetBack: the machine's clock is set back by an hour while samples are taken.
// Rates over the jump are no numbers, and the next ones are right.
func TestClockSetBack(t *testing.T) {
	d := newBed(t, "desktop-a")
	d.start()
	disk := func(sectors int) {
		d.set("sys/block/sda/stat", fmt.Sprintf("1 0 %d 1 1 0 0 1 0 1 1\n", sectors))
	}
	disk(1000)
	d.sampleAt(noon)
	disk(1010)
	d.sampleAt(noon.Add(-time.Hour))
	if v := d.value(record.SeriesDiskRead); !math.IsNaN(v) {
		t.Errorf("%g B/s over a time that was not", v)
	}
	disk(1014)
	d.sampleAt(noon.Add(-time.Hour + time.Second))
	machinetest.Near(t, "after the jump", d.value(record.SeriesDiskRead), 4*512)
	tel, err := d.b.Window(noon.Add(-time.Hour-time.Second), noon.Add(-time.Hour+2*time.Second))
	if err != nil || len(tel.At) != 2 {
		t.Errorf("the samples after the jump are not found by their time: %v", err)
	}
}

// TestManyClocks: of 256 processors a sample asks sixteen, and in turn all.
func TestManyClocks(t *testing.T) {
	d := newBed(t, "virtual")
	for i := range 256 {
		machinetest.Write(t, filepath.Join(d.root, fmt.Sprintf("sys/devices/system/cpu/cpu%d/cpufreq/scaling_cur_freq", i)), fmt.Appendf(nil, "%d\n", 3_000_000+1000*i))
	}
	d.start()
	seen := map[int]bool{}
	for n := range 16 {
		d.sampleAt(noon.Add(time.Duration(n) * time.Second))
		for i := range 256 {
			if v := d.value(fmt.Sprintf("cpu.core.%d.clock", i)); !math.IsNaN(v) {
				machinetest.Near(t, "clock", v, float64(3000+i))
				seen[i] = true
			}
		}
		if len(seen) != 16*(n+1) {
			t.Fatalf("%d processors after %d samples", len(seen), n+1)
		}
	}
}
