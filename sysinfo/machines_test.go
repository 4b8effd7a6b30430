package sysinfo

import (
	"context"
	"encoding/base64"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"github.com/rogpeppe/go-internal/txtar"
)

var update = flag.Bool("update", false, "write the golden files anew")

// unpack writes a recorded machine below a temporary folder.
func unpack(t testing.TB, archive string) string {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("recorded Linux machines have file names with colons")
	}
	a, err := txtar.ParseFile(archive)
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	for _, f := range a.Files {
		name, data := f.Name, f.Data
		if short, ok := strings.CutSuffix(name, ".base64"); ok {
			name = short
			if data, err = base64.StdEncoding.DecodeString(strings.TrimSpace(string(data))); err != nil {
				t.Fatalf("%s: %v", f.Name, err)
			}
		}
		write(t, filepath.Join(root, filepath.FromSlash(name)), data)
	}
	return root
}

func write(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestRecordedMachines compares everything that is detected and sampled of each recorded
// machine with one golden file.
func TestRecordedMachines(t *testing.T) {
	archives, _ := filepath.Glob("testdata/*/machine.txtar")
	if len(archives) < 5 {
		t.Fatalf("only %d recorded machines", len(archives))
	}
	for _, archive := range archives {
		dir := filepath.Dir(archive)
		if strings.HasPrefix(filepath.Base(dir), "windows-") {
			continue // see TestRecordedWindows
		}
		t.Run(filepath.Base(dir), func(t *testing.T) {
			b := New(Options{Root: unpack(t, archive)})
			golden(t, filepath.Join(dir, "golden.txt"), describeSystem(b.Detect(context.Background()))+"\n"+describeSample(t, b))
		})
	}
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		write(t, file, []byte(got))
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s differs (-update writes it anew):\n%s", file, lineDiff(string(want), got))
	}
}

// lineDiff lists the lines that only one of two texts has.
func lineDiff(want, got string) string {
	var out strings.Builder
	count := map[string]int{}
	for _, l := range strings.Split(want, "\n") {
		count[l]++
	}
	for _, l := range strings.Split(got, "\n") {
		if count[l]--; count[l] < 0 {
			fmt.Fprintln(&out, "+", l)
		}
	}
	for _, l := range strings.Split(want, "\n") {
		if count[l] > 0 {
			count[l]--
			fmt.Fprintln(&out, "-", l)
		}
	}
	return out.String()
}

func describeSystem(s record.System) string {
	var out strings.Builder
	fmt.Fprintln(&out, "id", s.ID)
	for _, f := range s.Fields {
		mark, value := " ", f.Value+" "+f.Unit
		if f.Identity {
			mark = "*"
		}
		if f.Unknown != "" {
			value = "? " + string(f.Unknown)
		}
		fmt.Fprintf(&out, "%s %-30s %-36s %s\n", mark, f.Name, strings.TrimSpace(value), f.Source)
	}
	return out.String()
}

// describeSample takes samples of a machine that stands still until every source had two
// turns.
func describeSample(t *testing.T, b *Bench) string {
	s, err := b.startSampling()
	if err != nil {
		t.Fatal(err)
	}
	defer b.stopSampling(s)
	row := make([]float64, len(b.ring.cols))
	s.turn.Store(1)
	for i := range 9 {
		s.sampleAt(1, row, noon.Add(time.Duration(i)*time.Second))
	}
	var out strings.Builder
	for i, c := range b.ring.cols {
		if c.name == colFresh {
			continue
		}
		value := "no number"
		if !math.IsNaN(row[i]) {
			value = fmt.Sprintf("%.6g %s", row[i], c.unit)
		}
		fmt.Fprintf(&out, "%-24s %-20s %s\n", c.name, strings.TrimSpace(value), c.source)
	}
	for _, g := range b.gaps {
		fmt.Fprintf(&out, "%-24s ? %-18s %s\n", g.Name, g.Why, g.Text)
	}
	return out.String()
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
		s := New(Options{Root: unpack(t, "testdata/"+c.machine+"/machine.txtar")}).Detect(context.Background())
		if f, _ := s.Get(c.field); f.Value != c.value {
			t.Errorf("%s: %s = %q, want %q", c.machine, c.field, f.Value, c.value)
		}
	}
}

// TestIdentity: what matters for comparability changes it, what does not leaves it alone.
func TestIdentity(t *testing.T) {
	root := unpack(t, "testdata/desktop-a/machine.txtar")
	before := New(Options{Root: root}).Detect(context.Background())
	link := "sys/class/drm/card1/device/current_link_speed"
	write(t, filepath.Join(root, link), []byte("2.5 GT/s PCIe\n"))
	if s := New(Options{Root: root}).Detect(context.Background()); s.ID != before.ID {
		t.Error("an idle link changed the identity")
	}
	write(t, filepath.Join(root, "sys/devices/system/cpu/cpufreq/boost"), []byte("0\n"))
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
	d := &bed{t: t, root: unpack(t, "testdata/"+machine+"/machine.txtar")}
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
