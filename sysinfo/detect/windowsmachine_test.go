package detect

import (
	"encoding/binary"
	"slices"
	"testing"
)

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
