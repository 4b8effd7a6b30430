package unwrap

import (
	"bytes"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"

	"capd.example/framelog/internal/cells"
)

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
		names, row := cells.Split(nil, lines[0], ','), cells.Split(nil, lines[1], ',')
		if len(names) != len(row) {
			t.Fatalf("%q became %q", line, out)
		}
		for i, n := range names {
			raw, ok := m[string(n)]
			if !ok || len(raw) == 0 || raw[0] != '-' && (raw[0] < '0' || raw[0] > '9') {
				continue
			}
			if string(row[i]) != string(raw) {
				t.Fatalf("%q: %s is %q, want %q", line, n, row[i], raw)
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
		src := New(bytes.NewReader(nil))
		if again, err := src.Unwrap(b, nil); !again || err != nil {
			t.Fatalf("not recognised: %v", err)
		}
		got, err := io.ReadAll(src)
		if err != nil || string(got) != s {
			t.Fatalf("%q became %q, %v", s, got, err)
		}
	})
}
