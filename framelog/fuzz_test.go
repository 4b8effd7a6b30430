package framelog_test

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"capd.example/framelog"
	"capd.example/framelog/parquetlog"
	"capd.example/internal/testlab"
)

var fuzzOptions = framelog.Options{Formats: []framelog.Format{parquetlog.Format}, MaxFrames: 1 << 20, MaxBytes: 16 << 20}

// seed adds the recorded layouts, invented ones and texts with something wrong.
func seed(f *testing.F) {
	for _, name := range []string{
		"scene-a.400x300.low.frame-cap.pass1.csv", "scene-a.400x300.low.hitch.pass1.csv", "scene-a.400x300.low.stopped-early.pass1.csv",
		"scene-b.400x300.high.clean.pass3.csv", "scene-b.400x300.high.hitch.pass1.csv", "scene-b.400x300.high.stopped-early.pass1.csv",
	} {
		b, err := os.ReadFile(filepath.Join(testlab.Root(), "testdata", "real-passes", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b[:min(len(b), 1500)])
	}
	for style := range testlab.LogStyle(testlab.Styles) {
		f.Add(testlab.Log(style, []float64{10, 11.5, 9.25, 10.125, 12, 10, 11, 9.5, 10, 30}, [][2]string{{"game", "Ravine"}}))
	}
	for _, s := range []string{
		"{\"took_ms\": 10.5, \"x\": [1, {\"y\": \"z\"}]}\n{\"took_ms\": 11}\n{\"took_ms\": null}\n",
		"a,\"b\"\"c\n d\",took_ms\n1,\"x, y\",10.5\n2,\"z\",11.5\n", "\"10,5\"\n\"11,5\"\n", "1e1\n1.1e1\n", "sep=;\na;b\n1,5;2,5\n",
		"\xff\xfea\x00\n\x001\x000\x00.\x005\x00\n\x00", "\x1f\x8b\x08", "(\xb5/\xfd", "PAR1", "10.5\r11.5\r12.5\r", "16\n17\n16.\n", "stamp_ns\n1\n2\n", "\n\n\n", ",,,\n,,,\n",
	} {
		f.Add([]byte(s))
	}
}

// Whatever the bytes: either an error and nothing else, or frame times that are finite
// and above zero; and the same again, also when they come in small pieces.
func FuzzRead(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := framelog.Read("x.csv", b, fuzzOptions)
		var r framelog.Reader
		again, err2 := r.ReadStream("x.csv", &pieces{b: b, size: 7}, fuzzOptions)
		if (err == nil) != (err2 == nil) || err != nil && err.Error() != err2.Error() {
			t.Fatalf("%v at once, %v in pieces", err, err2)
		}
		if err != nil {
			if len(got.Frames.MS) != 0 || got.Layout.Source != "" {
				t.Fatalf("an error came with %+v", got)
			}
			return
		}
		if !reflect.DeepEqual(got, again) {
			t.Fatalf("%+v at once, %+v in pieces", got, again)
		}
		if len(got.Frames.MS) == 0 {
			t.Fatal("no frames and no error")
		}
		for i, x := range got.Frames.MS {
			if !(x > 0) || math.IsInf(x, 0) {
				t.Fatalf("frame %d is %v", i, x)
			}
		}
		checkGrid(t, got.Frames.MS, got.Frames.Decimals)
	})
}

func checkGrid(t *testing.T, ms []float64, decimals int) {
	if decimals < 0 {
		return
	}
	scale := math.Pow(10, float64(decimals))
	for i, x := range ms {
		if back := math.Round(x*scale) / scale; back != x {
			t.Fatalf("frame %d, %v, is not on the grid of %d decimals", i, x, decimals)
		}
	}
}

type pieces struct {
	b    []byte
	size int
}

func (p *pieces) Read(to []byte) (int, error) {
	n := copy(to[:min(len(to), p.size)], p.b)
	p.b = p.b[n:]
	if len(p.b) == 0 {
		return n, eof
	}
	return n, nil
}

// A log that reads with a layout found by itself reads the same when that layout is
// declared.
func FuzzDeclared(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := framelog.Read("x.csv", b, fuzzOptions)
		if err != nil || got.Layout.Program != "" {
			return
		}
		l := got.Layout
		d := framelog.Declared{Name: "found", Column: l.Column, Kind: l.Source, Unit: l.Unit, Delimiter: l.Delimiter, Decimal: l.Decimal}
		if rest, ok := strings.CutPrefix(l.Column, "column "); ok {
			d.Column = rest
		}
		same, err := framelog.Read("x.csv", b, framelog.Options{Layouts: []framelog.Declared{d}, Formats: fuzzOptions.Formats, MaxFrames: 1 << 20, MaxBytes: 16 << 20})
		if err != nil {
			if strings.Contains(err.Error(), "twice") || l.Format != "" {
				return
			}
			t.Fatalf("declared as found %+v: %v", d, err)
		}
		if same.Layout.Program == "" && same.Layout.Column == l.Column && !reflect.DeepEqual(got.Frames, same.Frames) {
			t.Fatalf("found %v, declared %v", got.Frames, same.Frames)
		}
	})
}

// Text that is put behind a whole line never changes the frames ahead of it.
func FuzzTail(f *testing.F) {
	f.Add([]byte("9.5\n"), []byte("mean: 10\n"))
	f.Add([]byte("9.5\n"), []byte("9."))
	f.Add([]byte("8.25\n"), []byte("\"x\n\n,\n"))
	f.Fuzz(func(t *testing.T, row, tail []byte) {
		front := bytes.Repeat([]byte("10.125\n11.5\n"), 40)
		front = append(append([]byte("took_ms\n"), front...), row...)
		if !bytes.HasSuffix(front, []byte("\n")) || bytes.ContainsRune(row, '"') {
			return
		}
		a, err := framelog.Read("x.csv", front, fuzzOptions)
		if err != nil {
			return
		}
		b, err := framelog.Read("x.csv", append(front, tail...), fuzzOptions)
		if err != nil || b.Layout != a.Layout {
			return
		}
		if n := len(a.Frames.MS); len(b.Frames.MS) < n || !reflect.DeepEqual(a.Frames.MS, b.Frames.MS[:n]) {
			t.Fatalf("%d frames without the tail, %d with it", n, len(b.Frames.MS))
		}
	})
}
