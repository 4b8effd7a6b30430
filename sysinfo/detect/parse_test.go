package detect

import "testing"

func FuzzDetectParsers(f *testing.F) {
	f.Add([]byte("E:MEMORY_DEVICE_0_SIZE=17179869184\nE:MEMORY_DEVICE_0_PRESENT=0"))
	f.Fuzz(func(t *testing.T, b []byte) {
		modules, _ := udevMemory(string(b))
		for _, m := range modules {
			if m.Rated < 0 || m.Configured < 0 || m.Rank < 0 {
				t.Errorf("negative: %+v", m)
			}
		}
		if topo, ok := parseTopology(b); ok && topo.threads < topo.cores {
			t.Errorf("%+v", topo)
		}
		if m, ok := parseDRMMode(b); ok && !(m.hz > 0 && m.width > 0 && m.height > 0) {
			t.Errorf("a mode of %+v", m)
		}
		parseMode(b)
		largestBAR(string(b))
		nvidiaVersion(string(b))
	})
}
