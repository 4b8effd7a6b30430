package sysinfo

import (
	"encoding/base64"
	"encoding/binary"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"capd.example/record"
	"github.com/rogpeppe/go-internal/txtar"
)

// recordedRegistry is a registry as lines of key|name|text or key|name|#number.
type recordedRegistry map[string]string

func readRegistry(text string) recordedRegistry {
	r := recordedRegistry{}
	for _, l := range strings.Split(text, "\n") {
		if i := strings.LastIndexByte(l, '|'); i > 0 {
			r[l[:i]] = l[i+1:]
		}
	}
	return r
}

func (r recordedRegistry) text(key, name string) (string, record.Unknown) {
	v, ok := r[key+"|"+name]
	if !ok {
		return "", record.Absent
	}
	return v, ""
}

func (r recordedRegistry) number(key, name string) (uint64, record.Unknown) {
	v, ok := r[key+"|"+name]
	if !ok {
		return 0, record.Absent
	}
	n, err := strconv.ParseUint(strings.TrimPrefix(v, "#"), 0, 64)
	if err != nil {
		return 0, record.Broken
	}
	return n, ""
}

func (r recordedRegistry) keys(key string) []string {
	var out []string
	for k := range r {
		if rest, ok := strings.CutPrefix(k, key+`\`); ok {
			name, _, _ := strings.Cut(rest, "|")
			if !slices.Contains(out, name) {
				out = append(out, name)
			}
		}
	}
	slices.Sort(out)
	return out
}

// topologyBytes builds SYSTEM_LOGICAL_PROCESSOR_INFORMATION_EX records.
func topologyBytes(cores []struct {
	class byte
	mask  uint64
}, l3 uint32) []byte {
	var b []byte
	for _, c := range cores {
		r := make([]byte, 48)
		binary.LittleEndian.PutUint32(r[4:], 48)
		r[9] = c.class
		binary.LittleEndian.PutUint16(r[30:], 1)
		binary.LittleEndian.PutUint64(r[32:], c.mask)
		b = append(b, r...)
	}
	cache := make([]byte, 56)
	binary.LittleEndian.PutUint32(cache, 2)
	binary.LittleEndian.PutUint32(cache[4:], 56)
	cache[8] = 3
	binary.LittleEndian.PutUint32(cache[12:], l3)
	pkg := make([]byte, 48)
	binary.LittleEndian.PutUint32(pkg, 3)
	binary.LittleEndian.PutUint32(pkg[4:], 48)
	return append(append(b, cache...), pkg...)
}

func TestRecordedWindows(t *testing.T) {
	archives, _ := filepath.Glob("testdata/windows-*/machine.txtar")
	if len(archives) == 0 {
		t.Fatal("no recorded Windows machine")
	}
	for _, archive := range archives {
		t.Run(filepath.Base(filepath.Dir(archive)), func(t *testing.T) {
			a, err := txtar.ParseFile(archive)
			if err != nil {
				t.Fatal(err)
			}
			m := windowsMachine{mains: 255}
			for _, f := range a.Files {
				text := strings.TrimSpace(string(f.Data))
				switch f.Name {
				case "registry":
					m.reg = readRegistry(text)
				case "adapters":
					m.adapters = strings.Split(text, "\n")
				case "plan":
					m.plan = text
				case "memory":
					m.memory, _ = strconv.ParseUint(text, 10, 64)
				case "mains":
					n, _ := strconv.Atoi(text)
					m.mains = byte(n)
				case "smbios.base64":
					m.smbios = unbase(t, text)
				case "topology.base64":
					m.topology = unbase(t, text)
				case "mode.base64":
					m.mode = unbase(t, text)
				default:
					t.Fatalf("unknown part %s", f.Name)
				}
			}
			var f facts
			m.detect(&f)
			s := record.System{Fields: f.list}
			s.ID = s.Identity()
			golden(t, filepath.Join(filepath.Dir(archive), "golden.txt"), describeSystem(s))
		})
	}
}

func unbase(t *testing.T, s string) []byte {
	b, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(s, "\n", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestTopology(t *testing.T) {
	type core = struct {
		class byte
		mask  uint64
	}
	topo, ok := parseTopology(topologyBytes([]core{{1, 3}, {1, 0xC}, {0, 0x10}, {0, 0x20}, {0, 0x40}}, 32<<20))
	if !ok || topo.cores != 5 || topo.threads != 7 || !topo.smt || !slices.Equal(topo.classes, []int{3, 2}) || topo.l3 != 32<<20 || topo.packages != 1 {
		t.Errorf("%+v %v", topo, ok)
	}
	if _, ok := parseTopology([]byte{0, 0, 0, 0, 200, 0, 0, 0}); ok {
		t.Error("a record beyond the end was taken")
	}
}

func TestProcessListOfWindows(t *testing.T) {
	const base = 0x10000
	entry := func(pid, parent, user, kernel uint64, name string) []byte {
		b := make([]byte, 256)
		u := utf16.Encode([]rune(name))
		binary.LittleEndian.PutUint64(b[40:], user)
		binary.LittleEndian.PutUint64(b[48:], kernel)
		binary.LittleEndian.PutUint64(b[80:], pid)
		binary.LittleEndian.PutUint64(b[88:], parent)
		for i, c := range u {
			binary.LittleEndian.PutUint16(b[200+2*i:], c)
		}
		binary.LittleEndian.PutUint16(b[56:], uint16(2*len(u)))
		return b
	}
	list := append(entry(0, 0, 0, 9999, ""), entry(42, 4, 30, 12, "spiel-ü.exe")...)
	binary.LittleEndian.PutUint32(list, 256)
	binary.LittleEndian.PutUint64(list[64:], 0) // the idle process has no name
	binary.LittleEndian.PutUint64(list[256+64:], base+256+200)
	var got []winProcess
	eachProcess(list, base, func(p winProcess) { got = append(got, p) })
	if len(got) != 2 || got[1].pid != 42 || got[1].parent != 4 || got[1].used != 4200 || utf16Text(got[1].name) != "spiel-ü.exe" {
		t.Errorf("%+v", got)
	}
}

func TestCPUTimesOfWindows(t *testing.T) {
	b := make([]byte, 2*winCPUTimeSize)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize:], 70)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize+8:], 90)
	binary.LittleEndian.PutUint64(b[winCPUTimeSize+16:], 10)
	var to [4]winCPUTime
	if n := parseCPUTimes(b, to[:]); n != 2 || to[1] != (winCPUTime{70, 90, 10}) {
		t.Errorf("%d %+v", n, to)
	}
}

// TestNetworkOfWindows: of a card, a filter on top of it, a tunnel and a second card the
// two cards count. The layout is that of MIB_IF_ROW2 (netioapi.h).
func TestNetworkOfWindows(t *testing.T) {
	row := func(luid uint64, flags byte, in, out uint64) []byte {
		b := make([]byte, ifRowSize)
		binary.LittleEndian.PutUint64(b, luid)
		b[1152] = flags
		binary.LittleEndian.PutUint64(b[1208:], in)
		binary.LittleEndian.PutUint64(b[1280:], out)
		return b
	}
	table := binary.LittleEndian.AppendUint64(nil, 4)
	for i, flags := range []byte{1, 3, 0, 1 | 0x80} { // hardware, filter, tunnel, hardware that rests
		table = append(table, row(uint64(i)+1<<48, flags, 10, 20)...)
	}
	if got := hardwareRows(table); !slices.Equal(got, []uint64{0 + 1<<48, 3 + 1<<48}) {
		t.Errorf("cards %x", got)
	}
	for _, damaged := range [][]byte{nil, table[:7], table[:8], table[:8+ifRowSize-1]} {
		if got := hardwareRows(damaged); got != nil {
			t.Errorf("%d bytes: %x", len(damaged), got)
		}
	}
	if c, ok := parseIfRow(row(1, 1, 1<<40, 7)); !ok || c != (winCard{1 << 40, 7}) {
		t.Errorf("%+v", c)
	}
	if _, ok := parseIfRow(make([]byte, ifRowSize-1)); ok {
		t.Error("half a row was taken")
	}
}

// TestClocksOfWindows: PROCESSOR_POWER_INFORMATION as documented for
// CallNtPowerInformation; entries need not come in order, and 0 is no clock.
func TestClocksOfWindows(t *testing.T) {
	var b []byte
	for _, p := range [][6]uint32{{1, 5700, 4450, 5700, 2, 1}, {0, 5700, 5525, 5700, 2, 0}, {2, 5700, 0, 5700, 0, 0}, {99, 1, 1, 1, 1, 1}} {
		for _, v := range p {
			b = binary.LittleEndian.AppendUint32(b, v)
		}
	}
	row := []float64{nan, nan, nan, nan}
	if n := parseClocks(b, row); n != 4 || row[0] != 5525 || row[1] != 4450 || !math.IsNaN(row[2]) || !math.IsNaN(row[3]) {
		t.Errorf("%d: %v", n, row)
	}
	if n := parseClocks(b[:powerInfoSize-1], row); n != 0 {
		t.Errorf("%d clocks in half an entry", n)
	}
}

// TestReasons holds our reduction against the bits that nvml.h and the kernel's
// kgd_pp_interface.h give (from memory of the published headers).
func TestReasons(t *testing.T) {
	for _, c := range []struct {
		bits uint64
		want float64
	}{
		{0, 0}, {1, 0}, {0x4, record.ThrottlePower}, {0x20, record.ThrottleThermal}, {0x40, record.ThrottleThermal | record.ThrottleHard},
		{0x80, record.ThrottleHard}, {0x8, record.ThrottleHard}, {0x100, record.ThrottleOther},
	} {
		if got := nvmlReasons(c.bits); got != c.want {
			t.Errorf("nvml %x: %g, want %g", c.bits, got, c.want)
		}
	}
	for _, c := range []struct{ bits, want uint64 }{
		{0, 0}, {1 << 3, record.ThrottlePower}, {1 << 18, record.ThrottlePower}, {1 << 36, record.ThrottleThermal},
		{1 << 46, record.ThrottleThermal | record.ThrottleHard}, {1 << 57, record.ThrottleOther},
	} {
		if got := amdReasons(c.bits); got != c.want {
			t.Errorf("amdgpu %x: %d, want %d", c.bits, got, c.want)
		}
	}
}
