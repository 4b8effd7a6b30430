package framelog

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"
)

// Whatever strconv reads as a plain decimal we read to the same bits, and nothing else.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1", "16.6667", "0.016666667", "1e3", "1795588296129000007", "123456789012345678901234567890.5", "-0", "1e400", "9007199254740993", "4.9e-324", "00.10"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		want, err := strconv.ParseFloat(s, 64)
		plain := s != "" && len(s) < 2000 && strings.Trim(s, "0123456789+-.eE") == "" && (err == nil || math.IsInf(want, 0))
		got, ok := readNumber(s, 0)
		if !plain {
			if ok && strings.Trim(s, " \t") == s && err != nil && !math.IsInf(want, 0) {
				t.Fatalf("%q was read as %v, strconv says %v", s, got, err)
			}
			return
		}
		if !ok || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q was read as %b (%v), strconv says %b", s, got, ok, want)
		}
	})
}

// Cells are cut as encoding/csv cuts them where that finds no fault.
func FuzzCells(f *testing.F) {
	for _, s := range []string{"a,b,c", `"a,b",c`, `"a""b",c`, `,,`, `a,"",b`, `"x`, `a"b,c`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		if strings.ContainsAny(line, "\r\n") || line == "" {
			return
		}
		got := splitCells(nil, []byte(line), ',')
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

// What JSON Lines become has one row per valid object, with the numbers as they were.
func FuzzJSONLines(f *testing.F) {
	for _, s := range []string{`{"a":1.50}`, `{"a": 1, "b": "x,\"y"}`, `{"a":{"b":[1,"]"]},"c":2}`, `{"a":1}{"b":2}`, `{`, `{"a":1,}`, `{"é":1}`, `{"a":1e5 }`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, line string) {
		if strings.ContainsAny(line, "\r\n\x00") {
			return
		}
		out, err := io.ReadAll(newJSONLines(strings.NewReader(line + "\n")))
		if err != nil || !json.Valid([]byte(line)) {
			return
		}
		var m map[string]json.RawMessage
		if json.Unmarshal([]byte(line), &m) != nil || len(m) == 0 {
			return
		}
		lines := bytes.Split(bytes.TrimSuffix(out, []byte("\n")), []byte("\n"))
		if len(lines) != 2 {
			t.Fatalf("%q became %q", line, out)
		}
		names, cells := splitCells(nil, lines[0], ','), splitCells(nil, lines[1], ',')
		if len(names) != len(cells) {
			t.Fatalf("%q became %q", line, out)
		}
		for i, n := range names {
			raw, ok := m[string(n)]
			if !ok || len(raw) == 0 || raw[0] != '-' && (raw[0] < '0' || raw[0] > '9') {
				continue
			}
			if string(cells[i]) != string(raw) {
				t.Fatalf("%q: %s is %q, want %q", line, n, cells[i], raw)
			}
		}
	})
}

// UTF-16 becomes the text it stands for.
func FuzzUTF16(f *testing.F) {
	f.Add("took_ms\n16.5\n", false)
	f.Add("größe 😀\n", true)
	f.Fuzz(func(t *testing.T, s string, big bool) {
		if !utf8.ValidString(s) || strings.ContainsRune(s, '\ufeff') {
			return
		}
		var b []byte
		for _, u := range utf16.Encode([]rune("\ufeff" + s)) {
			if big {
				b = append(b, byte(u>>8), byte(u))
			} else {
				b = append(b, byte(u), byte(u>>8))
			}
		}
		src := &source{Reader: bytes.NewReader(nil)}
		if again, err := src.unwrap(b, Options{}); !again || err != nil {
			t.Fatalf("not recognised: %v", err)
		}
		got, err := io.ReadAll(src)
		if err != nil || string(got) != s {
			t.Fatalf("%q became %q, %v", s, got, err)
		}
	})
}
