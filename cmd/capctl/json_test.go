package main

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/analysis/power"
	"capd.example/analysis/ready"
	"capd.example/analysis/reuse"
	"capd.example/analysis/summary"
	"capd.example/control"
	"capd.example/internal/listing"
	"capd.example/internal/logbatch"
	"capd.example/internal/selection"
	"capd.example/internal/steering"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// fieldsOf returns the names under which a type's fields stand in JSON, those of the
// object itself apart from those of the objects in it.
func fieldsOf(t reflect.Type) (top, below []string) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice || t.Kind() == reflect.Map {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil, nil
	}
	if t == reflect.TypeFor[analysis.Cell]() { // each figure stands under its own name
		for _, m := range analysis.Metrics {
			top = append(top, m.Name)
		}
		more, deeper := fieldsOf(reflect.TypeFor[analysis.Figure]())
		below = slices.Concat(more, deeper)
	}
	for f := range t.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		inner, deeper := []string(nil), []string(nil)
		if f.IsExported() && name != "-" && f.Type != t {
			inner, deeper = fieldsOf(f.Type)
		}
		switch {
		case f.Anonymous && name == "":
			top, below = append(top, inner...), append(below, deeper...)
		case f.IsExported() && name != "" && name != "-":
			top, below = append(top, name), slices.Concat(below, inner, deeper)
		}
	}
	return top, below
}

// part returns the part of docs/json.md between two texts.
func part(t *testing.T, page, from, to string) string {
	t.Helper()
	_, rest, found := strings.Cut(page, from)
	if !found {
		t.Fatalf("docs/json.md has no %q", from)
	}
	text, _, _ := strings.Cut(rest, to)
	return text
}

// The fields that docs/json.md promises are those that the commands print, and each field
// of a printed object stands there.
func TestJSONFieldsAreAsPromised(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(testlab.Root(), "docs", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	page, figures := read("json.md"), read("metrics.md")
	word := regexp.MustCompile("`([a-z][a-z0-9_.]*)(\\[\\])?`")
	for _, x := range []struct {
		from, to string
		types    []any
		values   string // words in quotes there that are no fields
	}{
		{"## `capctl measure", "\n## ", []any{logbatch.Log{}, logbatch.Unread{}}, ""},
		{"## `capctl passes", "\n## ", []any{listing.SessionPass{}, record.Tag{}}, ""},
		{"also `telemetry`", "With `--history`", []any{listing.Samples{}}, "heat other null"},
		{"With `--history`", "\n## ", []any{store.Judgement{}}, "checked rechecked overruled"},
		{"## `capctl overhead", "\n## ", []any{control.Overhead{}}, ""},
		{"## `capctl cells", "\n## ", []any{analysis.Cell{}}, "ok doubtful processor graphics both agreement bench system time session sessions"},
		{"## What a conclusion", "\n## ", []any{selection.Basis{}}, "selection"},
		{"## Notes", "\n## ", []any{record.Note{}, map[string]any{}}, "note taken_back"},
		{"## `capctl compare", "With `--across`", []any{compare.Margin{}}, "faster slower tie undecided session sessions"},
		{"With `--across`", "\n## ", []any{compare.Total{}}, ""},
		{"`next`: where", "`next --by", []any{steering.PositionLine{}, map[string]any{}}, ""},
		{"- `limits`", "- `odd`", []any{limit.Limit{}, analysis.Model{}, map[string]any{}}, "processor graphics both cap unknown model"},
		{"- `odd`", "- `predict`", []any{oddcell.Odd{}, oddcell.Misfit{}, oddcell.Property{}, oddcell.Alike{}, map[string]any{}}, "order part residual fit properties alike"},
		{"- `predict`", "- `holds`", []any{limit.Prediction{}}, "true"},
		{"- `holds`", "- `value`", []any{compare.Threshold{}}, "yes no unclear"},
		{"- `value`", "- `repeatability`", []any{compare.Value{}}, ""},
		{"- `repeatability`", "- `ready`", []any{analysis.Repeat{}}, ""},
		{"- `power`", "- `reuse`", []any{power.Sum{}}, ""},
		{"- `summary`", "- `power`", []any{summary.Sentence{}}, "ratio rate odd limit cells margins games limits value holds ready methods"},
		{"- `ready`", "- `summary`", []any{ready.Concern{}}, "odd open doubtful disagree campaign driver mixed disclosure"},
		{"- `reuse`", "\x00", []any{reuse.Comparability{}}, ""},
	} {
		text := part(t, page, x.from, x.to)
		if strings.Contains(text, "(metrics.md)") {
			text += figures
		}
		said := map[string]bool{}
		for _, m := range word.FindAllStringSubmatch(text, -1) {
			for w := range strings.SplitSeq(m[1], ".") {
				said[w] = true
			}
		}
		known := strings.Fields(x.values)
		for _, v := range x.types {
			top, below := fieldsOf(reflect.TypeOf(v))
			known = slices.Concat(known, top, below)
			for _, f := range top {
				if !said[f] {
					t.Errorf("%s: the printed field %q is not there", x.from, f)
				}
			}
		}
		for w := range said {
			if !slices.Contains(known, w) && !strings.Contains(figures, "`"+w+"`") {
				t.Errorf("%s: no field is called %q", x.from, w)
			}
		}
	}
}
