package sensor

import "testing"

func FuzzSourceParsers(f *testing.F) {
	f.Add([]byte{120, 0, 1, 3})
	f.Fuzz(func(t *testing.T, b []byte) {
		if bits, err := amdThrottle(b); err == nil && bits > 15 {
			t.Errorf("bits %x", bits)
		}
		if row := make([]float64, 4); parseClocks(b, row) > len(row) {
			t.Error("more clocks than processors")
		}
		if to := make([]winCPUTime, 4); parseCPUTimes(b, to) > len(to) {
			t.Error("more times than processors")
		}
		parseIfRow(b)
	})
}
