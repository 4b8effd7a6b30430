package text_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode/utf8"

	"capd.example/internal/text"
)

func TestPlainAndLine(t *testing.T) {
	for in, want := range map[string][2]string{
		"Copper  Drift":                 {"Copper  Drift", "Copper Drift"},
		"a\nBAD pass 9\r\n\tb":          {"a BAD pass 9   b", "a BAD pass 9 b"},
		"a\x1b[31m\x1b]0;t\ab":          {"a\uFFFD[31m\uFFFD]0;t\uFFFDb", "a\uFFFD[31m\uFFFD]0;t\uFFFDb"},
		"gpu\u202Eexe":                  {"gpu\uFFFDexe", "gpu\uFFFDexe"}, // right-to-left override
		"pa\u200Bss":                    {"pa\uFFFDss", "pa\uFFFDss"},     // zero width
		"a\u009b31mb":                   {"a\uFFFD31mb", "a\uFFFD31mb"},   // C1: one character that begins a sequence
		"a\u2028b\u2029c\u0085d":        {"a b c d", "a b c d"},           // separators of lines
		"\xff\xfeab\x80":                {"\uFFFD\uFFFDab\uFFFD", "\uFFFD\uFFFDab\uFFFD"},
		"Größe 東京 🎮 5 %":                {"Größe 東京 🎮 5 %", "Größe 東京 🎮 5 %"}, // and nothing of people's own languages
		"x\u115F\u3164\U000E0041\uFFFE": {"x\uFFFD\uFFFD\uFFFD\uFFFD", "x\uFFFD\uFFFD\uFFFD\uFFFD"},
	} {
		if got := text.Plain(in); got != want[0] {
			t.Errorf("Plain(%q) is %q, want %q", in, got, want[0])
		}
		if got := text.Line(in); got != want[1] {
			t.Errorf("Line(%q) is %q, want %q", in, got, want[1])
		}
	}
}

func TestBlankCutAndCell(t *testing.T) {
	for s, want := range map[string]bool{"": true, " \n": true, "\u200b\u202e\u3164\ufffd": true, "a": false, "\u200b.": false} {
		if text.Blank(s) != want {
			t.Errorf("Blank(%q) is not %v", s, want)
		}
	}
	if got := text.Cut(strings.Repeat("ü", 12), 10); got != strings.Repeat("ü", 10)+" ... (2 more characters)" || text.Cut("üü", 2) != "üü" {
		t.Errorf("cut to %q", got)
	}
	for in, want := range map[string]string{"=1+1": "'=1+1", "\t=1": "' =1", "@x": "'@x", "1-2": "1-2", "": "", "\n-x": "' -x"} {
		if got := text.Cell(in); got != want {
			t.Errorf("Cell(%q) is %q, want %q", in, got, want)
		}
	}
}

type word string

func TestOnlyTheFormatEndsLines(t *testing.T) {
	var b bytes.Buffer
	text.Fprintf(&b, "%s|%v|%q|%v|%5.1f|%d\n", "a\nb", errors.New("c\x1b"), word("d\re"), []string{"f\ng"}, 1.25, 3)
	if got, want := b.String(), "a b|c\uFFFD|\"d e\"|[f g]|  1.2|3\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// What JSON says stays the same, and no character of it steers a terminal.
func FuzzJSON(f *testing.F) {
	f.Add("a\u202eb\u009b\U000E0041\x1b\n\u2028")
	f.Fuzz(func(t *testing.T, s string) {
		in, err := json.Marshal(map[string]string{s: s})
		if err != nil {
			t.Fatal(err)
		}
		out := text.JSON(in)
		var was, is map[string]string
		if json.Unmarshal(in, &was) != nil || json.Unmarshal(out, &is) != nil {
			t.Fatalf("%q became %q", in, out)
		}
		for k := range was {
			if is[k] != was[k] {
				t.Errorf("%q became %q", in, out)
			}
		}
		if bytes.ContainsFunc(out, text.Hostile) {
			t.Errorf("%q is not safe", out)
		}
	})
}

// Whatever comes in, what comes out is valid, one line and holds nothing hostile, and is
// left as it is when it goes through again.
func FuzzPlain(f *testing.F) {
	f.Add("a\x1b]0;x\a\u202e\u200b\xff\n")
	f.Fuzz(func(t *testing.T, s string) {
		for name, fn := range map[string]func(string) string{"Plain": text.Plain, "Line": text.Line, "Cell": text.Cell} {
			got := fn(s)
			if !utf8.ValidString(got) || strings.ContainsFunc(got, text.Hostile) {
				t.Errorf("%s(%q) is %q", name, s, got)
			}
			if name != "Cell" && fn(got) != got {
				t.Errorf("%s(%q) is not stable", name, got)
			}
		}
	})
}
