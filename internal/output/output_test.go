package output

import (
	"encoding/json"
	"strings"
	"testing"
)

type named struct{}

func (named) String() string { return hostile }

const hostile = "a\x1b[31m|b\nc\u202e<script>&`*_["

// A table for people: numbers to the right, nothing at the ends of lines, and names from
// outside as words on their line.
func TestTable(t *testing.T) {
	var b strings.Builder
	if err := Table(&b, Row{"name", "rate"}, []Row{{"Copper Drift", "7.5"}, {hostile, "101.25"}, {named{}, "-"}}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	if len(lines) != 4 || !strings.HasSuffix(lines[1], "    7.5") || !strings.HasSuffix(lines[2], " 101.25") {
		t.Errorf("%q", lines)
	}
	if strings.ContainsAny(b.String(), "\x1b\u202e") {
		t.Errorf("%q steers a terminal", b.String())
	}
}

// A Markdown table has one line per row whatever a name holds, and no markup of theirs.
func TestMarkdown(t *testing.T) {
	var b strings.Builder
	if err := Markdown(&b, Row{"name", "rate"}, []Row{{hostile, 1.5}}); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if len(lines) != 4 || lines[0] != "| name | rate |" || lines[1] != "| --- | --- |" {
		t.Fatalf("%q", lines)
	}
	if cells := strings.Count(strings.ReplaceAll(lines[2], `\|`, ""), "|"); cells != 3 || strings.Contains(lines[2], "<script") {
		t.Errorf("%q", lines[2])
	}
}

// JSON reads back as it was, stands on one line, and steers no terminal.
func TestJSON(t *testing.T) {
	var b strings.Builder
	if err := JSON(&b, map[string]string{"name": hostile}); err != nil {
		t.Fatal(err)
	}
	var back map[string]string
	if err := json.Unmarshal([]byte(b.String()), &back); err != nil || back["name"] != hostile {
		t.Errorf("%q reads back as %q, %v", b.String(), back, err)
	}
	if strings.Count(b.String(), "\n") != 1 || strings.ContainsAny(b.String(), "\x1b\u202e") || !strings.Contains(b.String(), "<script>&") {
		t.Errorf("%q", b.String())
	}
}

func TestShortened(t *testing.T) {
	for in, want := range map[string]string{"short": "short", "one two three": "one two ...", "unbroken-word": "unbroken-w ..."} {
		if got := Shortened(in, 10); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}
