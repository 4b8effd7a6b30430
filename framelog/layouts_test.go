package framelog_test

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf16"

	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"capd.example/metrics"
	"github.com/klauspost/compress/zstd"
	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"
)

// form is one of the many ways to write the same frame times.
type form struct {
	Delim, Point, EOL string
	Unit              string // of the frame times
	Duration          bool
	Stamp             string // unit of a stamp column, "" for none
	StampFirst        bool   // the stamp is the beginning of the frame
	Base              int64  // first stamp, ns
	Heading           string // "", "one", "two", "comment"
	Index, Text, Load bool
	Quote             bool
	Preamble          int
	Trailer           bool
	Repeat            bool // the heading again in the middle
	NoLastEOL         bool
	Encoding          string // "", "bom", "utf-16le", "utf-16be", "latin-1"
	Packing           string // "", "gzip", "zstd"
	Kind              string // "text", "jsonl", "parquet"
}

func drawForm(t *rapid.T) form {
	pick := func(label string, of ...string) string { return rapid.SampledFrom(of).Draw(t, label) }
	yes := func(label string) bool { return rapid.Bool().Draw(t, label) }
	f := form{
		Delim: pick("delimiter", ",", ";", "\t", "|", " "), Point: pick("point", ".", ","), EOL: pick("line end", "\n", "\r\n", "\r"),
		Unit: pick("unit", "s", "ms", "us", "ns"), Stamp: pick("stamp", "", "s", "ms", "us", "ns"), Duration: yes("duration"), StampFirst: yes("stamp first"),
		Base:    rapid.SampledFrom([]int64{0, 81_234_567_890_123, 1_795_588_296_129_000_007, 9_123_456_789_012_345_678}).Draw(t, "base"),
		Heading: pick("heading", "", "one", "two", "comment"), Index: yes("index"), Text: yes("text"), Load: yes("load"), Quote: yes("quote"),
		Preamble: rapid.IntRange(0, 4).Draw(t, "preamble"), Trailer: yes("trailer"), Repeat: yes("repeat"), NoLastEOL: yes("no last line end"),
		Encoding: pick("encoding", "", "bom", "utf-16le", "utf-16be", "latin-1"), Packing: pick("packing", "", "gzip", "zstd"),
		Kind: pick("kind", "text", "text", "text", "jsonl", "parquet"),
	}
	if f.Stamp == "" {
		f.Duration = true
	}
	if f.Delim == "," && f.Point == "," {
		f.Quote = true
	}
	return f
}

// columns returns heading names, units and cells of the rows.
func (f form) columns(ns []int64) (names, units []string, rows [][]string) {
	add := func(name, unit string) { names, units = append(names, name), append(units, unit) }
	if f.Index {
		add("number", "")
	}
	if f.Stamp != "" {
		add("at", f.Stamp)
	}
	if f.Text {
		add("state", "")
	}
	if f.Load {
		add("größe", "%")
	}
	if f.Duration {
		add("took", f.Unit)
	}
	at := f.Base
	if !f.Duration { // n stamps give n-1 frames
		ns = append([]int64{0}, ns...)
	}
	for i, d := range ns {
		var r []string
		if f.Index {
			r = append(r, fmt.Sprint(i))
		}
		if !f.StampFirst || !f.Duration {
			at += d
		}
		if f.Stamp != "" {
			r = append(r, decimal(at, f.Stamp))
		}
		if f.StampFirst && f.Duration {
			at += d
		}
		if f.Text {
			r = append(r, []string{"even", "odd"}[i%2])
		}
		if f.Load {
			r = append(r, fmt.Sprintf("%d.%d", 70+i%13, i%10))
		}
		if f.Duration {
			r = append(r, decimal(d, f.Unit))
		}
		rows = append(rows, r)
	}
	return names, units, rows
}

// decimal writes nanoseconds exactly in a unit.
func decimal(ns int64, unit string) string {
	digits := map[string]int{"s": 9, "ms": 6, "us": 3, "ns": 0}[unit]
	if digits == 0 {
		return fmt.Sprint(ns)
	}
	s := fmt.Sprintf("%0*d", digits+1, ns)
	return s[:len(s)-digits] + "." + s[len(s)-digits:]
}

func (f form) write(t *rapid.T, ns []int64) []byte {
	names, units, rows := f.columns(ns)
	var b []byte
	switch f.Kind {
	case "jsonl":
		b = jsonForm(names, units, rows)
	case "parquet":
		b = parquetForm(t, names, units, rows)
	default:
		b = f.encode(f.text(names, units, rows))
	}
	switch f.Packing {
	case "gzip":
		var z bytes.Buffer
		w := gzip.NewWriter(&z)
		w.Write(b)
		w.Close()
		return z.Bytes()
	case "zstd":
		w, err := zstd.NewWriter(nil)
		if err != nil {
			t.Fatal(err)
		}
		return w.EncodeAll(b, nil)
	}
	return b
}

func (f form) text(names, units []string, rows [][]string) string {
	var b strings.Builder
	line := func(prefix string, cells []string) {
		b.WriteString(prefix)
		for i, c := range cells {
			if i > 0 {
				b.WriteString(f.Delim)
			}
			c = strings.ReplaceAll(c, ".", f.Point)
			if f.Quote && (i%2 == 0 || strings.Contains(c, f.Delim)) || strings.Contains(c, f.Delim) {
				c = `"` + c + `"`
			}
			b.WriteString(c)
		}
		b.WriteString(f.EOL)
	}
	for i := range f.Preamble {
		fmt.Fprintf(&b, "# fact%d: value %d%s", i, i, f.EOL)
	}
	joined := make([]string, len(names))
	for i := range names {
		if joined[i] = names[i]; units[i] != "" {
			joined[i] += "_" + units[i]
		}
	}
	heading := func() {
		switch f.Heading {
		case "one":
			line("", joined)
		case "comment":
			line("# ", joined)
		case "two":
			line("", names)
			second := make([]string, len(units))
			for i, u := range units {
				second[i] = "[" + u + "]"
			}
			line("", second)
		}
	}
	heading()
	for i, r := range rows {
		if f.repeats(i, len(rows)) {
			heading()
		}
		line("", r)
	}
	s := b.String()
	if f.Trailer {
		return s + f.EOL + "written by hand, the end" + f.EOL + "thank you"
	}
	if f.NoLastEOL {
		return strings.TrimSuffix(s, f.EOL)
	}
	return s
}

// repeats says where the heading is written again: only among durations, since no frame
// is counted across it.
func (f form) repeats(i, n int) bool {
	return f.Repeat && f.Duration && f.Heading == "one" && i == n/2
}

func (f form) encode(s string) []byte {
	switch f.Encoding {
	case "bom":
		return []byte("\ufeff" + s)
	case "utf-16le", "utf-16be":
		var b []byte
		for _, u := range utf16.Encode([]rune("\ufeff" + s)) {
			if f.Encoding == "utf-16le" {
				b = append(b, byte(u), byte(u>>8))
			} else {
				b = append(b, byte(u>>8), byte(u))
			}
		}
		return b
	case "latin-1":
		var b []byte
		for _, r := range s {
			b = append(b, byte(r))
		}
		return b
	}
	return []byte(s)
}

func jsonForm(names, units []string, rows [][]string) []byte {
	var b bytes.Buffer
	for _, r := range rows {
		b.WriteByte('{')
		for i, c := range r {
			if i > 0 {
				b.WriteString(", ")
			}
			name := names[i]
			if units[i] != "" {
				name += " [" + units[i] + "]"
			}
			k, _ := json.Marshal(name)
			b.Write(k)
			b.WriteString(": ")
			if names[i] == "state" {
				c = `"` + c + `"`
			}
			b.WriteString(c)
		}
		b.WriteString("}\n")
	}
	return b.Bytes()
}

// parquetForm writes frame times as doubles and stamps as whole ns, as a logger that
// writes this format would.
func parquetForm(t *rapid.T, names, units []string, rows [][]string) []byte {
	g := parquet.Group{}
	for i, n := range names {
		switch {
		case n == "state":
			g[n] = parquet.String()
		case units[i] == "ns" || n == "number":
			g[n+"_"+units[i]] = parquet.Leaf(parquet.Int64Type)
		default:
			g[n+"_"+units[i]] = parquet.Leaf(parquet.DoubleType)
		}
	}
	schema := parquet.NewSchema("log", g)
	var out bytes.Buffer
	w := parquet.NewGenericWriter[map[string]any](&out, schema)
	for _, r := range rows {
		m := map[string]any{}
		for i, c := range r {
			switch key := names[i] + "_" + units[i]; {
			case names[i] == "state":
				m["state"] = c
			case units[i] == "ns" || names[i] == "number":
				var v int64
				fmt.Sscan(c, &v)
				m[key] = v
			default:
				var v float64
				fmt.Sscan(c, &v)
				m[key] = v
			}
		}
		if _, err := w.Write([]map[string]any{m}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// fits leaves out what cannot be written or told apart by structure.
func (f form) fits() bool {
	cells := 0
	for _, has := range []bool{f.Index, f.Stamp != "", f.Text, f.Load, f.Duration} {
		if has {
			cells++
		}
	}
	switch {
	case f.Kind == "parquet" && !f.Duration && f.Stamp != "ns":
		return false // stamps since 1970 do not fit a double
	case f.Load && (f.Kind == "text" && f.Heading == ""):
		return false // shares look like milliseconds where no heading tells
	case f.Kind == "text" && f.Heading != "one" && cells == 1 && f.Point == "," && !f.Quote:
		return false // two columns of whole numbers, unless a 0 behind a comma tells
	}
	return true
}

// The same pass gives the same figures whatever it is written like.
func TestEveryFormGivesTheSameFigures(t *testing.T) {
	var r framelog.Reader
	rapid.Check(t, func(t *rapid.T) {
		f := drawForm(t)
		if !f.fits() {
			t.Skip("not told by structure")
		}
		ns := drawFrames(t)
		ms := make([]float64, len(ns))
		for i, d := range ns {
			ms[i] = float64(d) / 1e6
		}
		log := f.write(t, ns)
		got, err := r.Read("pass", log, framelog.Options{Formats: []framelog.Format{parquetlog.Format}})
		if err != nil {
			t.Fatalf("%+v\n%v\n%.600s", f, err, log)
		}
		same(t, ms, got.Frames.MS, f, log)
		want, err := metrics.Compute(frames(ms))
		if err != nil {
			t.Fatal(err)
		}
		have, err := metrics.Compute(got.Frames)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range [][2]float64{{want.AvgFPS, have.AvgFPS}, {want.P99MS, have.P99MS}, {want.Low1FPS, have.Low1FPS}, {want.Low1TimeFPS, have.Low1TimeFPS}, {want.DurationS, have.DurationS}} {
			if math.Abs(p[0]-p[1]) > 1e-9*p[0] {
				t.Fatalf("%+v: figures %v and %v", f, want, have)
			}
		}
	})
}

// drawFrames returns frame times in ns that look like a program's.
func drawFrames(t *rapid.T) []int64 {
	n := rapid.IntRange(12, 400).Draw(t, "frames")
	level := rapid.Int64Range(6_500_000, 40_000_000).Draw(t, "level")
	seed := rapid.Uint64().Draw(t, "seed")
	out := make([]int64, n)
	for i := range out {
		seed = seed*6364136223846793005 + 1442695040888963407
		out[i] = level + int64(seed>>33)%(level/4)
		if i%97 == 50 {
			out[i] *= 5
		}
	}
	return out
}

func same(t *rapid.T, want, got []float64, f form, log []byte) {
	if len(want) != len(got) {
		t.Fatalf("%+v: %d frames, want %d\n%.600s", f, len(got), len(want), log)
	}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-12*want[i] {
			t.Fatalf("%+v: frame %d is %.17g, want %.17g", f, i, got[i], want[i])
		}
	}
}
