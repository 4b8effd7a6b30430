package sensor

import (
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
	"capd.example/sysinfo/nvml"
)

// TestNVMLSource samples a card through the real loading and calling code and a library of
// our own.
func TestNVMLSource(t *testing.T) {
	start := time.Unix(1000, 0)
	lost := filepath.Join(t.TempDir(), "lost")
	t.Setenv("NVML_LOST", lost)
	library, why := nvml.Load(machinetest.NVML(t))
	if library == nil {
		t.Fatalf("%+v", why)
	}
	lib, why := nvml.Open(library)
	if lib == nil {
		t.Fatalf("%+v", why)
	}
	src := openNVMLCard(lib, 0, 0)
	row := make([]float64, len(src.Columns()))
	read := func(at time.Time) []float64 {
		for i := range row {
			row[i] = math.NaN()
		}
		src.Read(row, at)
		return row
	}
	want := []float64{71, 2505, 10501, 281.5, 98, 2 << 30, record.ThrottlePower | record.ThrottleThermal} // 0x100 is not in the supported mask; the driver keeps 1 GiB for itself
	for i, v := range read(start) {
		machinetest.Near(t, src.Columns()[i].Name, v, want[i])
	}
	for s := 1; s <= 4; s++ {
		row := read(start.Add(time.Duration(s) * time.Second))
		machinetest.Near(t, "memory clock between its turns", row[2], 10501)
		machinetest.Near(t, "memory in use between its turns", row[5], 2<<30)
	}
	machinetest.Write(t, lost, nil)
	for _, at := range []time.Time{start.Add(10 * time.Second), start.Add(11 * time.Second), start.Add(2 * time.Minute)} {
		if v := read(at)[0]; !math.IsNaN(v) {
			t.Errorf("a lost card reads %g", v)
		}
	}
	if err := os.Remove(lost); err != nil {
		t.Fatal(err)
	}
	machinetest.Near(t, "after the card came back", read(start.Add(4 * time.Minute))[0], 71)
}
