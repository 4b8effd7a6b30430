package firmware

import (
	"testing"

	"capd.example/internal/text"
)

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"  Halden\x00\x00 HX-870 ": "Halden HX-870", "a\x1b[31mb": "a [31mb", "\xff\xfe": "", "Default string": "", "N/A": "", "x\u202ey": "x y", "\uFFFD": "", "tab\tand\nline": "tab and line",
	} {
		if got := text.Reported(in); got != want {
			t.Errorf("%q is cleaned to %q, want %q", in, got, want)
		}
	}
}
