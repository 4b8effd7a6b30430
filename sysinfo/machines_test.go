package sysinfo

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
)

// TestRecordedMachines compares everything that is detected and sampled of each recorded
// machine with one golden file.
func TestRecordedMachines(t *testing.T) {
	machines := machinetest.Machines(t, "")
	if len(machines) < 5 {
		t.Fatalf("only %d recorded machines", len(machines))
	}
	for _, m := range machines {
		if strings.HasPrefix(m, "windows-") {
			continue // see TestRecordedWindows of the detection
		}
		t.Run(m, func(t *testing.T) {
			b := New(Options{Root: machinetest.Unpack(t, m)})
			machinetest.Golden(t, m, shows(t, b))
		})
	}
}

// shows describes everything that is detected and sampled of a machine that stands still.
func shows(t *testing.T, b *Bench) string {
	t.Helper()
	seen, err := look(context.Background(), false, b)
	if err != nil {
		t.Fatal(err)
	}
	return seen[0].describe()
}

// TestFactsOfMachines states what the golden files cannot explain: the facts that each
// invented machine was built to show.
func TestFactsOfMachines(t *testing.T) {
	for _, c := range []struct{ machine, field, value string }{
		{"desktop-a", record.FieldMemorySpeed, "4800"}, // configured, not the rated 6000
		{"desktop-a", record.FieldMemorySize, "32"},
		{"desktop-a", "memory.modules", "2 x 16 GiB, 1 rank"},
		{"desktop-a", record.FieldProcessorBoost, "on"},
		{"desktop-a", "processor.cores", "8"},
		{"desktop-a", record.FieldGraphicsName, "Tarn Graphics Fell 16"},
		{"desktop-a", "graphics.0.board", "Halden Fell 16 Quiet"},
		{"desktop-a", "graphics.0.large_bar", "yes"},
		{"desktop-a", "graphics.0.link_now", "PCIe 4 x16"},
		{"desktop-a", "graphics.0.power_limit", "304.0"},
		{"desktop-b", record.FieldProcessorBoost, "off"}, // no_turbo has the opposite sense
		{"desktop-b", record.FieldBoardName, ""},
		{"desktop-b", "processor.performance_threads", "4"},
		{"desktop-b", "processor.energy_preference", "balance_performance and power"},
		{"desktop-b", record.FieldMemorySize, "16"},
		{"notebook", "power.source", "battery"},
		{"notebook", "power.battery", "discharging"},
		{"notebook", record.FieldProcessorBoost, "off"}, // on one of two policies
		{"empty", record.FieldProcessorName, ""},
	} {
		s := New(Options{Root: machinetest.Unpack(t, c.machine)}).Detect(context.Background())
		if f, _ := s.Get(c.field); f.Value != c.value {
			t.Errorf("%s: %s = %q, want %q", c.machine, c.field, f.Value, c.value)
		}
	}
}

// TestIdentity: what matters for comparability changes it, what does not leaves it alone.
func TestIdentity(t *testing.T) {
	root := machinetest.Unpack(t, "desktop-a")
	before := New(Options{Root: root}).Detect(context.Background())
	link := "sys/class/drm/card1/device/current_link_speed"
	machinetest.Write(t, filepath.Join(root, link), []byte("2.5 GT/s PCIe\n"))
	if s := New(Options{Root: root}).Detect(context.Background()); s.ID != before.ID {
		t.Error("an idle link changed the identity")
	}
	machinetest.Write(t, filepath.Join(root, "sys/devices/system/cpu/cpufreq/boost"), []byte("0\n"))
	after := New(Options{Root: root}).Detect(context.Background())
	if after.ID == before.ID {
		t.Error("boost off left the identity alone")
	}
	changes := record.Diff(before, after)
	if len(changes) != 2 || changes[1].Name != record.FieldProcessorBoost {
		t.Errorf("changes %+v", changes)
	}
}

// bed is a recorded machine whose files a test changes while it is sampled.
type bed struct {
	t    *testing.T
	root string
	b    *Bench
	s    *sampler
	row  []float64
}

func newBed(t *testing.T, machine string) *bed {
	d := &bed{t: t, root: machinetest.Unpack(t, machine)}
	d.b = New(Options{Root: d.root})
	return d
}

func (d *bed) start() {
	s, err := d.b.startSampling()
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { d.b.stopSampling(s) })
	d.s, d.row = s, make([]float64, len(d.b.ring.cols))
	s.turn.Store(1)
}

// set changes a file in place, as the kernel does for a kept descriptor.
func (d *bed) set(file, text string) {
	f, err := os.OpenFile(filepath.Join(d.root, file), os.O_WRONLY|os.O_TRUNC|os.O_CREATE, 0o644)
	if err != nil {
		d.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteString(text); err != nil {
		d.t.Fatal(err)
	}
}

// sampleAt takes a sample as of the given time.
func (d *bed) sampleAt(now time.Time) {
	d.s.sampleAt(1, d.row, now)
}

func (d *bed) value(name string) float64 {
	i := d.b.ring.index(name)
	if i < 0 {
		d.t.Fatalf("no column %s", name)
	}
	return d.row[i]
}
