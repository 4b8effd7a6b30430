package cells

import (
	"encoding/csv"
	"strings"
	"testing"
)

// Cells are cut as encoding/csv cuts them where that finds no fault.
func FuzzCells(f *testing.F) {
	for _, s := range []string{"a,b,c", `"a,b",c`, `"a""b",c`, `,,`, `a,"",b`, `"x`, `a"b,c`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		if strings.ContainsAny(line, "\r\n") || line == "" {
			return
		}
		got := Split(nil, []byte(line), ',')
		r := csv.NewReader(strings.NewReader(line))
		want, err := r.Read()
		if err != nil || strings.ContainsAny(line, " \t") {
			return
		}
		if len(got) != len(want) {
			t.Fatalf("%q: cells %q, want %q", line, got, want)
		}
		for i := range want {
			if cell := strings.ReplaceAll(string(got[i]), `""`, `"`); cell != want[i] {
				t.Fatalf("%q: cell %d is %q, want %q", line, i, cell, want[i])
			}
		}
	})
}
