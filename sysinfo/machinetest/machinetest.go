// Package machinetest is what the tests of sysinfo and its rooms share: recorded machines
// below a temporary folder, golden files, and stand-ins for what a test machine lacks.
package machinetest

import (
	"encoding/base64"
	"encoding/binary"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"github.com/rogpeppe/go-internal/txtar"
)

var update = flag.Bool("update", false, "write the golden files anew")

// Path returns a file below sysinfo/testdata.
func Path(name string) string {
	return filepath.Join(testlab.Root(), "sysinfo", "testdata", filepath.FromSlash(name))
}

// Machines lists the recorded machines whose names begin so.
func Machines(t testing.TB, prefix string) (names []string) {
	t.Helper()
	archives, err := filepath.Glob(Path(prefix + "*/machine.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range archives {
		names = append(names, filepath.Base(filepath.Dir(a)))
	}
	return names
}

// Unpack writes a recorded Linux machine below a temporary folder, which it returns.
func Unpack(t testing.TB, machine string) string {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("recorded Linux machines have file names with colons")
	}
	root := t.TempDir()
	for name, data := range Parts(t, machine) {
		Write(t, filepath.Join(root, filepath.FromSlash(name)), data)
	}
	return root
}

// Parts returns the files of a recorded machine by their names.
func Parts(t testing.TB, machine string) map[string][]byte {
	t.Helper()
	a, err := txtar.ParseFile(Path(machine + "/machine.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	parts := map[string][]byte{}
	for _, f := range a.Files {
		name, data := f.Name, f.Data
		if short, ok := strings.CutSuffix(name, ".base64"); ok {
			name = short
			if data, err = base64.StdEncoding.DecodeString(strings.TrimSpace(string(data))); err != nil {
				t.Fatalf("%s: %v", f.Name, err)
			}
		}
		parts[name] = data
	}
	return parts
}

// Write writes a file and the folders above it.
func Write(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// Golden compares a text with a recorded machine's golden file.
func Golden(t testing.TB, machine, got string) {
	t.Helper()
	file := Path(machine + "/golden.txt")
	if *update {
		Write(t, file, []byte(got))
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s differs (-update writes it anew):\n%s", file, LineDiff(string(want), got))
	}
}

// LineDiff lists the lines that only one of two texts has.
func LineDiff(want, got string) string {
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

// Near compares two numbers to six digits.
func Near(t testing.TB, what string, got, want float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > 1e-6*math.Max(1, math.Abs(want)) {
		t.Errorf("%s = %g, want %g", what, got, want)
	}
}

// NVML builds the stand-in for NVIDIA's library of testdata/nvml.c and returns its file.
func NVML(t testing.TB) string {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("the stand-in for the library is built for Linux")
	}
	cc, err := exec.LookPath("gcc")
	if err != nil {
		t.Skip("no C compiler to build the stand-in for the library")
	}
	lib := filepath.Join(t.TempDir(), "libnvml.so")
	if out, err := exec.Command(cc, "-shared", "-fPIC", "-o", lib, Path("nvml.c")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return lib
}

// DRMClient is what the kernel tells of a program's use of an amdgpu card at 0000:03:00.0, as
// its Documentation/gpu/drm-usage-stats.rst describes it; the driver's names of engines and
// regions are from memory. The times are in ns.
func DRMClient(id, gfx, compute, dma int) string {
	return fmt.Sprintf("pos:\t0\nflags:\t02100002\nmnt_id:\t27\nino:\t551\ndrm-driver:\tamdgpu\ndrm-client-id:\t%d\ndrm-pdev:\t0000:03:00.0\n"+
		"drm-memory-vram:\t1024 KiB\ndrm-memory-gtt: \t77 KiB\ndrm-engine-gfx:\t%d ns\ndrm-engine-compute:\t%d ns\ndrm-engine-dma:\t%d ns\n"+
		"drm-engine-dec:\t0 ns\ndrm-engine-enc_1:\t0 ns\n", id, gfx, compute, dma)
}

// Monitor builds the base block of an invented monitor's identification data: a timing of
// across by down pixels within totals, a range of rates and a name.
func Monitor(kHz, across, acrossTotal, down, downTotal int, interlaced bool, limits [3]byte, name string) []byte {
	b := make([]byte, 128)
	copy(b, []byte{0, 255, 255, 255, 255, 255, 255, 0})
	copy(b[12:], []byte{0xde, 0xad, 0xbe, 0xef}) // a serial number, not to be read
	d := b[54:]
	binary.LittleEndian.PutUint16(d, uint16(kHz/10))
	blank, downBlank := acrossTotal-across, downTotal-down
	d[2], d[3], d[4] = byte(across), byte(blank), byte(across>>8<<4|blank>>8)
	d[5], d[6], d[7] = byte(down), byte(downBlank), byte(down>>8<<4|downBlank>>8)
	if interlaced {
		d[17] = 0x80
	}
	copy(b[72:], []byte{0, 0, 0, 0xfd, limits[0], limits[1], limits[2]})
	copy(b[90:], append([]byte{0, 0, 0, 0xfc, 0}, (name + "\n            ")[:13]...))
	copy(b[108:], append([]byte{0, 0, 0, 0xff, 0}, "SERIAL1234567"...))
	SealMonitor(b)
	return b
}

// SealMonitor sets the checksum of a base block.
func SealMonitor(b []byte) {
	b[127] = 0
	sum := byte(0)
	for _, x := range b[:127] {
		sum += x
	}
	b[127] = -sum
}
