package sysinfo

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/record"
)

// Answers laid out as the kernel's Documentation/gpu/drm-usage-stats.rst describes them;
// the drivers' names of engines and regions are from memory.
const (
	amdText = "pos:\t0\nflags:\t02100002\nmnt_id:\t27\nino:\t551\ndrm-driver:\tamdgpu\ndrm-client-id:\t42\ndrm-pdev:\t0000:03:00.0\n" +
		"drm-memory-vram:\t1024 KiB\ndrm-memory-gtt: \t77 KiB\ndrm-engine-gfx:\t%d ns\ndrm-engine-compute:\t%d ns\ndrm-engine-dma:\t%d ns\ndrm-engine-dec:\t0 ns\ndrm-engine-enc_1:\t0 ns\n"
	i915Text = "drm-driver: i915\ndrm-pdev: 0000:00:02.0\ndrm-client-id: 7\ndrm-engine-render: 2000 ns\ndrm-engine-copy: 100 ns\n" +
		"drm-engine-video: 900 ns\ndrm-engine-capacity-video: 2\ndrm-engine-video-enhance: 0 ns\ndrm-resident-local0: 3 MiB\ndrm-total-system0: 9 MiB\n"
	xeText = "drm-driver: xe\ndrm-pdev: 0000:00:02.0\ndrm-client-id: 9\ndrm-cycles-rcs: %d\ndrm-total-cycles-rcs: %d\ndrm-cycles-vcs: 0\ndrm-total-cycles-vcs: 100\n" +
		"drm-engine-capacity-vcs: 2\ndrm-resident-vram0: 5 MiB\ndrm-total-vram0: 50 MiB\n"
)

func parsed(t *testing.T, text string) drmClient {
	t.Helper()
	var c drmClient
	if !parseDRM([]byte(text), &c) {
		t.Fatalf("not taken for a client:\n%s", text)
	}
	return c
}

func TestParseDRM(t *testing.T) {
	a, b := parsed(t, fmt.Sprintf(amdText, 1000, 0, 0)), parsed(t, fmt.Sprintf(amdText, 401000, 100000, 50000))
	if a.id != 42 || string(a.address[:12]) != "0000:03:00.0" || a.memory != 1<<20 {
		t.Errorf("%+v", a)
	}
	share := b.busyShare(&a, 1e6)
	near(t, "3D and compute together", share[engineShading], 0.5)
	near(t, "copies", share[engineCopy], 0.05)
	near(t, "video", share[engineVideo], 0)

	i := parsed(t, i915Text)
	share = i.busyShare(&drmClient{n: i.n, counters: started(i)}, 1e4)
	near(t, "i915 3D", share[engineShading], 0.2)
	near(t, "one of two video engines", share[engineVideo], 0.045)
	near(t, "memory", float64(i.memory), 3<<20)

	x, y := parsed(t, fmt.Sprintf(xeText, 100, 1000)), parsed(t, fmt.Sprintf(xeText, 350, 2000))
	near(t, "cycles of those that passed", y.busyShare(&x, 0)[engineShading], 0.25)
	near(t, "memory", float64(y.memory), 5<<20)

	// Counters that went back (a driver was loaded anew) tell nothing.
	near(t, "back", a.busyShare(&b, 1e6)[engineShading], 0)
	var c drmClient
	for _, text := range []string{"", "pos: 0\nflags: 02\n", "drm-driver: amdgpu\n", "drm-client-id: 1\n", "drm-driver amdgpu\ndrm-client-id: x\n"} {
		if parseDRM([]byte(text), &c) {
			t.Errorf("%q is no client", text)
		}
	}
}

func FuzzParseDRM(f *testing.F) {
	f.Add([]byte(fmt.Sprintf(amdText, 1, 2, 3)), []byte(i915Text))
	f.Add([]byte(fmt.Sprintf(xeText, 1, 2)), []byte("drm-driver: x\ndrm-client-id: 1\ndrm-engine-gfx: 18446744073709551615 ns\ndrm-engine-capacity-gfx: 0\n"))
	f.Fuzz(func(t *testing.T, one, two []byte) {
		var a, b drmClient
		parseDRM(one, &a)
		parseDRM(two, &b)
		for _, s := range b.busyShare(&a, 1e9) {
			if math.IsNaN(s) || s < 0 || s > 1 {
				t.Fatalf("share %g", s)
			}
		}
	})
}

func TestParseInstance(t *testing.T) {
	for name, want := range map[string]engineInstance{
		"pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_0_engtype_3D":          {1234, 0xC2B5, engineShading},
		"pid_4_luid_0x00000001_0x0000c2b5_phys_0_eng_9_engtype_Compute_0":      {4, 1<<32 | 0xC2B5, engineShading},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_4_engtype_Copy":          {88, 0xC2B5, engineCopy},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_5_engtype_VideoDecode":   {88, 0xC2B5, engineVideo},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_6_engtype_Video Codec 0": {88, 0xC2B5, engineVideo},
		"pid_88_luid_0x00000000_0x0000C2B5_phys_0_eng_7_engtype_Overlay":       {88, 0xC2B5, engineNone},
		"pid_0_luid_0x00000000_0x0000C2B5_phys_0":                              {0, 0xC2B5, engineNone},
	} {
		if got, ok := parseInstance(name); !ok || got != want {
			t.Errorf("%s: %+v, %v", name, got, ok)
		}
	}
	for _, name := range []string{"", "_Total", "pid_x_luid_0x0_0x1_engtype_3D", "luid_0x0_0x1_engtype_3D", "pid_1_luid_0x0", "pid_1_luid_0x123456789_0x1_engtype_3D", "pid_99999999999_luid_0x0_0x1_engtype_3D"} {
		if got, ok := parseInstance(name); ok {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

func FuzzParseInstance(f *testing.F) {
	f.Add("pid_1234_luid_0x00000000_0x0000C2B5_phys_0_eng_0_engtype_3D")
	f.Fuzz(func(t *testing.T, name string) {
		if e, ok := parseInstance(name); ok && (e.pid < 0 || e.engine >= engineCount) {
			t.Fatalf("%+v", e)
		}
	})
}

// cardLab is a recorded machine with an amdgpu card on which processes work.
type cardLab struct {
	*lab
	gfx, dma map[int]int // ns so far
}

func newCardLab(t *testing.T) *cardLab {
	l := &cardLab{lab: newLab(t), gfx: map[int]int{}, dma: map[int]int{}}
	dev := "sys/class/drm/card0/device/"
	write(t, filepath.Join(l.root, dev, "uevent"), []byte("DRIVER=amdgpu\nPCI_ID=1002:FFF1\nPCI_SLOT_NAME=0000:03:00.0\n"))
	write(t, filepath.Join(l.root, dev, "gpu_busy_percent"), []byte("0\n"))
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
	text := strings.Replace(fmt.Sprintf(amdText, l.gfx[pid], 0, l.dma[pid]), "client-id:\t42", fmt.Sprintf("client-id:\t%d", pid), 1)
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
	near(t, "the measured program", game[10], 80)
	near(t, "copies of others, which are more than their drawing", others[6], 20)
	near(t, "the one that came late", others[len(others)-1], 15)
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
	near(t, "others", find(t, tel, "gpu.0.background")[10], 4)
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
	near(t, "others", find(t, tel, "gpu.0.background")[10], 40)
}

// TestHiddenUseOfTheCard: what other users' programs do on the card shows in its load alone.
func TestHiddenUseOfTheCard(t *testing.T) {
	l := newCardLab(t)
	l.add(10, "loop")
	l.add(20, "foreign")
	l.open(10)
	write(t, filepath.Join(l.root, "proc/20/fd"), []byte("no folder")) // refused, to root too
	l.start()
	l.sampleAt(l.at)
	l.seconds(30, 90, map[int]int{10: 40, 20: 1}, func() { l.work(10, 500, 0) })
	tel, err := l.b.WindowFor(l.at.Add(-20*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "hidden", find(t, tel, "gpu.0.unattributed")[10], 40)
}

// TestOthersByNVML: the driver's list of who worked, who holds a context and what went
// over the link, through the real binding and a library of our own.
func TestOthersByNVML(t *testing.T) {
	users := filepath.Join(t.TempDir(), "users")
	t.Setenv("NVML_USE", users)
	l := newLab(t)
	l.b.nvmlOnce.Do(func() {}) // the recorded machine gets the stand-in
	if l.b.nvml, l.b.nvmlWhy = openNVML(standIn(t)); l.b.nvml == nil {
		t.Fatalf("%+v", l.b.nvmlWhy)
	}
	l.add(10, "loop")
	l.add(20, "stream")
	l.add(30, "mover")
	write(t, users, []byte("10 80 0 0 2048 0\n20 7 30 0 512 0\n30 -1 0 0 700 1\n4321 2 0 0 0 0\n"))
	l.start()
	l.sampleAt(l.at)
	for range 45 {
		l.second(map[int]int{10: 60, 20: 5, 30: 5}, 0)
	}
	tel, err := l.b.WindowFor(l.at.Add(-30*time.Second), l.at, "")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "the measured program", find(t, tel, "gpu.0.game")[3], 80)
	near(t, "others together", find(t, tel, "gpu.0.background")[3], 9)
	near(t, "their encoding", find(t, tel, "gpu.0.video")[3], 30)
	near(t, "the busier way of the link", find(t, tel, "gpu.0.link")[3], 1.5e9)
	want := map[string]record.CardUse{
		"loop": {Shading: 80, Memory: 2 << 30}, "stream": {Shading: 7, Video: 30, Memory: 512 << 20}, "mover": {Memory: 700 << 20, Compute: true},
		endedProgram(4321): {Shading: 2},
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
	// Hundreds of programs.
	many := "10 80 0 0 2048 0\n"
	for pid := range 300 {
		many += fmt.Sprintf("%d 0 0 0 1 1\n", 1000+pid)
	}
	write(t, users, []byte(many+"999 5 0 0 1 0\n"))
	for range 20 {
		l.second(map[int]int{10: 60}, 0)
	}
	tel, _ = l.b.WindowFor(l.at.Add(-8*time.Second), l.at, "")
	near(t, "one of hundreds", find(t, tel, "gpu.0.background")[0], 5)
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

// TestCardUseHere tells what a look at the machine's own card costs and says, where there
// is one (go test -v -run CardUseHere).
func TestCardUseHere(t *testing.T) {
	b := New(Options{})
	lib, why := b.nvmlLibrary()
	if lib == nil {
		t.Skipf("no NVIDIA card here: %s", why.text)
	}
	use := &nvmlUse{lib: lib}
	table := newCardTable(func(pid int) string { return fmt.Sprint(pid) })
	for i := range 4 {
		now := time.Now().Add(time.Duration(i) * 10 * time.Second)
		start := time.Now()
		use.look(now, table)
		t.Logf("a look took %s", time.Since(start))
	}
	start := time.Now()
	busy := use.link(lib.devices[0])
	t.Logf("of it the link %s: %g B/s", time.Since(start), busy)
	start = time.Now()
	use.contexts(lib.devices[0])
	t.Logf("of it the contexts %s: %+v", time.Since(start), use.holds)
	for _, l := range table.looks[:table.next] {
		t.Logf("%+v", l)
	}
}
