package process

import (
	"strings"
	"testing"
)

func FuzzProcessParsers(f *testing.F) {
	f.Add([]byte("12 (a b) c) S 1 2 3 4 5 6 7 8 9 10 11 12 13 14"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if name, _, _, ok := parseStat(b); ok && !strings.Contains(string(b), "("+string(name)+")") {
			t.Errorf("name %q is not in %q", name, b)
		}
		end := 0
		eachProcess(b, func(p winProcess) { end++ })
		if end > len(b)/96 {
			t.Errorf("%d processes in %d bytes", end, len(b))
		}
	})
}
