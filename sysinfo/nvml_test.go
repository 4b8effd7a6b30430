package sysinfo

import (
	"context"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/record"
)

// standIn builds the library of testdata/nvml.c.
func standIn(t testing.TB) string {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("the stand-in for the library is built for Linux")
	}
	cc, err := exec.LookPath("gcc")
	if err != nil {
		t.Skip("no C compiler to build the stand-in for the library")
	}
	lib := filepath.Join(t.TempDir(), "libnvml.so")
	if out, err := exec.Command(cc, "-shared", "-fPIC", "-o", lib, "testdata/nvml.c").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return lib
}

// TestNVMLStandIn runs the real loading and calling code against a library of our own.
func TestNVMLStandIn(t *testing.T) {
	lost := filepath.Join(t.TempDir(), "lost")
	t.Setenv("NVML_LOST", lost)
	lib := standIn(t)
	b := New(Options{Root: unpack(t, "testdata/virtual/machine.txtar")})
	b.nvmlOnce.Do(func() {}) // the recorded machine gets the stand-in
	if b.nvml, b.nvmlWhy = openNVML(lib); b.nvml == nil {
		t.Fatalf("%+v", b.nvmlWhy)
	}
	s := b.Detect(context.Background())
	for name, want := range map[string]string{
		"graphics.0.name": "Ridge 9", "graphics.0.driver": "555.10", "graphics.0.pci_id": "10de:ffd1", "graphics.0.board_id": "feed:0001",
		"graphics.0.memory": "16384", "graphics.0.power_limit": "285.0", "graphics.0.link_now": "PCIe 1 x8", "graphics.0.link_best": "PCIe 4 x16",
		"graphics.0.large_bar": "no", "graphics.0.firmware": "96.00",
	} {
		if f, _ := s.Get(name); f.Value != want || f.Source != "nvml" && f.Source != "pci" {
			t.Errorf("%s = %+v, want %s", name, f, want)
		}
	}
	if f, _ := s.Get("graphics.0.clock_max"); f.Unknown != record.Unsupported {
		t.Errorf("what the card does not tell: %+v", f)
	}
	src := openNVMLCard(b.nvml, 0, 0)
	row := make([]float64, len(src.columns()))
	read := func(at time.Time) []float64 {
		for i := range row {
			row[i] = math.NaN()
		}
		src.read(row, at)
		return row
	}
	want := []float64{71, 2505, 10501, 281.5, 98, 2 << 30, record.ThrottlePower | record.ThrottleThermal} // 0x100 is not in the supported mask; the driver keeps 1 GiB for itself
	for i, v := range read(noon) {
		near(t, src.columns()[i].name, v, want[i])
	}
	for s := 1; s <= nvmlTurns; s++ {
		row := read(noon.Add(time.Duration(s) * time.Second))
		near(t, "memory clock between its turns", row[2], 10501)
		near(t, "memory in use between its turns", row[5], 2<<30)
	}
	write(t, lost, nil)
	for _, at := range []time.Time{noon.Add(10 * time.Second), noon.Add(11 * time.Second), noon.Add(2 * time.Minute)} {
		if v := read(at)[0]; !math.IsNaN(v) {
			t.Errorf("a lost card reads %g", v)
		}
	}
	if err := os.Remove(lost); err != nil {
		t.Fatal(err)
	}
	near(t, "after the card came back", read(noon.Add(4 * time.Minute))[0], 71)
}

// TestDriverUpdated: a driver that was updated under the running library answers every
// call with 18 (nvml.h, NVML_ERROR_LIB_RM_VERSION_MISMATCH), which says what to do.
func TestDriverUpdated(t *testing.T) {
	for rc, want := range map[uintptr]gap{
		nvmlMismatch: {record.Broken, "restart"}, nvmlLost: {record.Broken, "lost"}, nvmlNotLoaded: {record.Absent, "not loaded"},
		nvmlNoPermission: {record.Refused, "refuses"}, nvmlNotSupported: {record.Unsupported, "not tell"}, 999: {record.Broken, "999"},
	} {
		if got := nvmlGap(rc); got.why != want.why || !strings.Contains(got.text, want.text) {
			t.Errorf("%d: %+v", rc, got)
		}
	}
}

// TestNVMLHere reads the machine's own card, where there is one, for a comparison with
// what the vendor's program prints in the same second (go test -v -run NVMLHere).
func TestNVMLHere(t *testing.T) {
	b := New(Options{})
	lib, why := b.nvmlLibrary()
	if lib == nil {
		t.Skipf("no NVIDIA card here: %s", why.text)
	}
	cards, why := lib.cards()
	if why.why != "" || len(cards) == 0 {
		t.Fatalf("%+v", why)
	}
	src := openNVMLCard(lib, 0, 0)
	row := make([]float64, len(src.columns()))
	for range 3 {
		start := time.Now()
		src.read(row, start)
		t.Logf("one read took %s", time.Since(start))
	}
	for i, c := range src.columns() {
		t.Logf("%s = %g %s", c.name, row[i], c.unit)
	}
	t.Logf("%+v", cards)
	if out, err := exec.Command("nvidia-smi", "--query-gpu=name,driver_version,pci.bus_id,vbios_version,temperature.gpu,clocks.gr,clocks.mem,power.draw,power.limit,utilization.gpu,memory.used,memory.total,pcie.link.gen.current,pcie.link.width.current,clocks_event_reasons.active", "--format=csv").CombinedOutput(); err == nil {
		t.Logf("the vendor's program:\n%s", out)
	}
	if row[0] < 5 || row[0] > 110 {
		t.Errorf("temperature %g", row[0])
	}
}

func BenchmarkNVML(b *testing.B) {
	n, why := openNVML(standIn(b))
	if n == nil {
		b.Fatalf("%+v", why)
	}
	src := openNVMLCard(n, 0, 0)
	row := make([]float64, len(src.columns()))
	b.ReportAllocs()
	for b.Loop() {
		src.read(row, noon)
	}
}
