package detect

import (
	"encoding/binary"
	"slices"
	"strconv"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/sysinfo/machinetest"
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

func (r recordedRegistry) Text(key, name string) (string, record.Unknown) {
	v, ok := r[key+"|"+name]
	if !ok {
		return "", record.Absent
	}
	return v, ""
}

func (r recordedRegistry) Number(key, name string) (uint64, record.Unknown) {
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

func (r recordedRegistry) Keys(key string) []string {
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
	machines := machinetest.Machines(t, "windows-")
	if len(machines) == 0 {
		t.Fatal("no recorded Windows machine")
	}
	for _, name := range machines {
		t.Run(name, func(t *testing.T) {
			m := windowsMachine{mains: 255}
			for part, data := range machinetest.Parts(t, name) {
				text := strings.TrimSpace(string(data))
				switch part {
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
				case "smbios":
					m.smbios = data
				case "topology":
					m.topology = data
				case "mode":
					m.mode = data
				default:
					t.Fatalf("unknown part %s", part)
				}
			}
			var f facts
			m.detect(&f)
			machinetest.Golden(t, name, machinetest.System(f.list))
		})
	}
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
