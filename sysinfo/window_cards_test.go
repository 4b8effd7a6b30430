package sysinfo

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/nvml"
)

// cardLab is a recorded machine with an amdgpu card on which processes work.
type cardLab struct {
	*lab
	gfx, dma map[int]int // ns so far
}

func newCardLab(t *testing.T) *cardLab {
	l := &cardLab{lab: newLab(t), gfx: map[int]int{}, dma: map[int]int{}}
	dev := "sys/class/drm/card0/device/"
	machinetest.Write(t, filepath.Join(l.root, dev, "uevent"), []byte("DRIVER=amdgpu\nPCI_ID=1002:FFF1\nPCI_SLOT_NAME=0000:03:00.0\n"))
	machinetest.Write(t, filepath.Join(l.root, dev, "gpu_busy_percent"), []byte("0\n"))
	return l
}

// open gives a process the card.
func (l *cardLab) open(pid int) {
	dir := filepath.Join(l.root, fmt.Sprintf("proc/%d", pid))
	for _, d := range []string{"fd", "fdinfo"} {
		if err := os.MkdirAll(filepath.Join(dir, d), 0o755); err != nil {
			l.t.Fatal(err)
		}
	}
	if err := os.Symlink("/dev/null", filepath.Join(dir, "fd/0")); err != nil {
		l.t.Fatal(err)
	}
	if err := os.Symlink("/dev/dri/renderD128", filepath.Join(dir, "fd/5")); err != nil {
		l.t.Fatal(err)
	}
	l.work(pid, 0, 0)
}

// work lets the card work for a process, in ms.
func (l *cardLab) work(pid, gfx, dma int) {
	l.gfx[pid] += gfx * 1e6
	l.dma[pid] += dma * 1e6
	text := machinetest.DRMClient(pid, l.gfx[pid], 0, l.dma[pid])
	l.set(fmt.Sprintf("proc/%d/fdinfo/5", pid), text)
}

func (l *cardLab) seconds(n int, busy int, use map[int]int, work func()) {
	for range n {
		work()
		l.set("sys/class/drm/card0/device/gpu_busy_percent", fmt.Sprintf("%d\n", busy))
		l.second(use, 0)
	}
}

func find(t *testing.T, tel *record.Telemetry, name string) []float64 {
	t.Helper()
	s, ok := tel.Find(name)
	if !ok {
		t.Fatalf("no series %s; missing %+v", name, tel.Missing)
	}
	return s.Known()
}

// TestOthersOnTheCard: the counters of the kernel tell the measured program's work from
// that of others, one that begins within the pass included, and names them.
func TestOthersOnTheCard(t *testing.T) {
	l := newCardLab(t)
	l.add(10, "loop")
	l.add(20, "film")
	l.open(10)
	l.open(20)
	l.start()
	l.sampleAt(l.at)
	use := map[int]int{10: 60, 20: 1}
	l.seconds(20, 80, use, func() { l.work(10, 800, 0) })
	from := l.at
	l.seconds(20, 90, use, func() { l.work(10, 800, 0); l.work(20, 70, 200) })
	l.add(30, "late")
	l.open(30)
	l.seconds(20, 99, map[int]int{10: 60, 20: 1, 30: 1}, func() { l.work(10, 800, 0); l.work(30, 150, 0) })
	tel, err := l.b.WindowFor(from, l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	game, others := find(t, tel, "gpu.0.game"), find(t, tel, "gpu.0.background")
	if len(others) < 30 {
		t.Errorf("only %d of 40 samples tell: %v", len(others), others)
	}
	machinetest.Near(t, "the measured program", game[10], 80)
	machinetest.Near(t, "copies of others, which are more than their drawing", others[6], 20)
	machinetest.Near(t, "the one that came late", others[len(others)-1], 15)
	cards := map[string]record.CardUse{}
	for _, p := range tel.Processes {
		if len(p.Cards) == 1 {
			cards[p.Name] = p.Cards[0]
		}
	}
	if c := cards["film"]; c.Copy < 8 || c.Copy > 12 || c.Shading < 3 || c.Shading > 4 || c.Memory != 1<<20 {
		t.Errorf("film used %+v of the card", c)
	}
	if c := cards["late"]; c.Shading < 4 || c.Shading > 8 /* its first look is the one to compare with */ {
		t.Errorf("late used %+v of the card", c)
	}
	if _, told := tel.Find("gpu.0.unattributed"); told {
		t.Error("every process shows its files here, so that nothing is hidden")
	}
}

// TestGameByTheCard: the measured program is the one that draws, although another uses
// more of the processor.
func TestGameByTheCard(t *testing.T) {
	l := newCardLab(t)
	l.add(10, "loop")
	l.add(20, "encoder")
	l.open(10)
	l.open(20)
	l.start()
	l.sampleAt(l.at)
	l.seconds(30, 70, map[int]int{10: 40, 20: 90}, func() { l.work(10, 600, 0); l.work(20, 40, 0) })
	tel, err := l.b.WindowFor(l.at.Add(-20*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range tel.Processes {
		if p.Game != (p.Name == "loop") || p.Rival {
			t.Errorf("%+v", p)
		}
	}
	machinetest.Near(t, "others", find(t, tel, "gpu.0.background")[10], 4)
	// Two that draw alike: which was measured is not known.
	l.seconds(30, 99, map[int]int{10: 40, 20: 40}, func() { l.work(10, 400, 0); l.work(20, 380, 0) })
	tel, err = l.b.WindowFor(l.at.Add(-20*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range tel.Processes {
		if !p.Rival {
			t.Errorf("%+v", p)
		}
	}
	// The log's own word decides.
	tel, _ = l.b.WindowFor(l.at.Add(-20*time.Second), l.at, "encoder")
	machinetest.Near(t, "others", find(t, tel, "gpu.0.background")[10], 40)
}

// TestHiddenUseOfTheCard: what other users' programs do on the card shows in its load alone.
func TestHiddenUseOfTheCard(t *testing.T) {
	l := newCardLab(t)
	l.add(10, "loop")
	l.add(20, "foreign")
	l.open(10)
	machinetest.Write(t, filepath.Join(l.root, "proc/20/fd"), []byte("no folder")) // refused, to root too
	l.start()
	l.sampleAt(l.at)
	l.seconds(30, 90, map[int]int{10: 40, 20: 1}, func() { l.work(10, 500, 0) })
	tel, err := l.b.WindowFor(l.at.Add(-20*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	machinetest.Near(t, "hidden", find(t, tel, "gpu.0.unattributed")[10], 40)
}

// TestOthersByNVML: the driver's list of who worked, who holds a context and what went
// over the link, through the real binding and a library of our own.
func TestOthersByNVML(t *testing.T) {
	users := filepath.Join(t.TempDir(), "users")
	t.Setenv("NVML_USE", users)
	l := newLab(t)
	library, why := nvml.Load(machinetest.NVML(t))
	if library == nil {
		t.Fatalf("%+v", why)
	}
	l.b.cards.OnNVML(library)
	l.add(10, "loop")
	l.add(20, "stream")
	l.add(30, "mover")
	machinetest.Write(t, users, []byte("10 80 0 0 2048 0\n20 7 30 0 512 0\n30 -1 0 0 700 1\n4321 2 0 0 0 0\n"))
	l.start()
	l.sampleAt(l.at)
	for range 45 {
		l.second(map[int]int{10: 60, 20: 5, 30: 5}, 0)
	}
	tel, err := l.b.WindowFor(l.at.Add(-30*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	machinetest.Near(t, "the measured program", find(t, tel, "gpu.0.game")[3], 80)
	machinetest.Near(t, "others together", find(t, tel, "gpu.0.background")[3], 9)
	machinetest.Near(t, "their encoding", find(t, tel, "gpu.0.video")[3], 30)
	machinetest.Near(t, "the busier way of the link", find(t, tel, "gpu.0.link")[3], 1.5e9)
	want := map[string]record.CardUse{
		"loop": {Shading: 80, Memory: 2 << 30}, "stream": {Shading: 7, Video: 30, Memory: 512 << 20}, "mover": {Memory: 700 << 20, Compute: true},
		"process 4321, which has ended": {Shading: 2},
	}
	for _, p := range tel.Processes {
		w, ok := want[p.Name]
		if !ok || len(p.Cards) != 1 || math.Abs(p.Cards[0].Shading-w.Shading) > 1e-9 || math.Abs(p.Cards[0].Video-w.Video) > 1e-9 || p.Cards[0].Memory != w.Memory || p.Cards[0].Compute != w.Compute {
			t.Errorf("%+v, want %+v", p, w)
		}
		delete(want, p.Name)
	}
	if len(want) > 0 {
		t.Errorf("not listed: %+v", want)
	}
	// Nobody computes: the link is not asked for.
	machinetest.Write(t, users, []byte("10 80 0 0 2048 0\n20 7 30 0 512 0\n"))
	for range 40 {
		l.second(map[int]int{10: 60, 20: 5}, 0)
	}
	if tel, err = l.b.WindowFor(l.at.Add(-30*time.Second), l.at, ""); err != nil {
		t.Fatal(err)
	}
	for _, s := range tel.Series {
		if s.Name == "gpu.0.link" && !math.IsNaN(s.Values[3]) {
			t.Errorf("the link was asked for though nobody computes: %v", s.Values)
		}
	}
	// Hundreds of programs.
	many := "10 80 0 0 2048 0\n"
	for pid := range 300 {
		many += fmt.Sprintf("%d 0 0 0 1 1\n", 1000+pid)
	}
	machinetest.Write(t, users, []byte(many+"999 5 0 0 1 0\n"))
	for range 20 {
		l.second(map[int]int{10: 60}, 0)
	}
	tel, _ = l.b.WindowFor(l.at.Add(-8*time.Second), l.at, "")
	machinetest.Near(t, "one of hundreds", find(t, tel, "gpu.0.background")[0], 5)
	// A driver that does not tell is a gap with its reason.
	if err := os.Remove(users); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		l.second(map[int]int{10: 60}, 0)
	}
	tel, _ = l.b.WindowFor(l.at.Add(-8*time.Second), l.at, "")
	if g := gapOf(tel, "gpu.0.background"); g.Why != record.Unsupported {
		t.Errorf("missing: %+v", tel.Missing)
	}
}

func gapOf(tel *record.Telemetry, name string) record.Gap {
	for _, g := range tel.Missing {
		if g.Name == name {
			return g
		}
	}
	return record.Gap{}
}
