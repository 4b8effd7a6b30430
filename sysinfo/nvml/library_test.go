package nvml

import (
	"os/exec"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/winsys"
)

// TestDriverUpdated: a driver that was updated under the running library answers every
// call with 18 (nvml.h, NVML_ERROR_LIB_RM_VERSION_MISMATCH), which says what to do.
func TestDriverUpdated(t *testing.T) {
	for rc, want := range map[winsys.Status]Gap{
		nvmlMismatch: {record.Broken, "restart"}, nvmlLost: {record.Broken, "lost"}, nvmlNotLoaded: {record.Absent, "not loaded"},
		nvmlNoPermission: {record.Refused, "refuses"}, nvmlNotSupported: {record.Unsupported, "not tell"}, 999: {record.Broken, "999"},
	} {
		if got := nvmlGap(rc); got.Why != want.Why || !strings.Contains(got.Text, want.Text) {
			t.Errorf("%d: %+v", rc, got)
		}
	}
}

// TestNVMLHere reads the machine's own card, where there is one, for a comparison with
// what the vendor's program prints in the same second (go test -v -run NVMLHere).
func TestNVMLHere(t *testing.T) {
	lib, why := here(t, File())
	if lib == nil {
		t.Skipf("no NVIDIA card here: %s", why.Text)
	}
	cards, why := lib.Cards()
	if why.Why != "" || len(cards) == 0 {
		t.Fatalf("%+v", why)
	}
	src := NewGauges(lib, 0)
	row := make([]float64, GaugeCount)
	for range 3 {
		start := time.Now()
		src.Read(row, start)
		t.Logf("one read took %s", time.Since(start))
	}
	t.Logf("%v", row)
	t.Logf("%+v", cards)
	if out, err := exec.Command("nvidia-smi", "--query-gpu=name,driver_version,pci.bus_id,vbios_version,temperature.gpu,clocks.gr,clocks.mem,power.draw,power.limit,utilization.gpu,memory.used,memory.total,pcie.link.gen.current,pcie.link.width.current,clocks_event_reasons.active", "--format=csv").CombinedOutput(); err == nil {
		t.Logf("the vendor's program:\n%s", out)
	}
	if row[0] < 5 || row[0] > 110 {
		t.Errorf("temperature %g", row[0])
	}
}

// here opens a library of this machine.
func here(t testing.TB, file string) (*Library, Gap) {
	t.Helper()
	ask, why := Load(file)
	if ask == nil {
		return nil, why
	}
	return Open(ask)
}

func BenchmarkNVML(b *testing.B) {
	n, why := here(b, machinetest.NVML(b))
	if n == nil {
		b.Fatalf("%+v", why)
	}
	src := NewGauges(n, 0)
	row := make([]float64, GaugeCount)
	b.ReportAllocs()
	for b.Loop() {
		src.Read(row, time.Unix(0, 0))
	}
}
