package framelog_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"capd.example/framelog"
	"capd.example/record"
	"github.com/klauspost/compress/zstd"
)

// rows writes n rows; change may alter a row (counted from 0) or drop it with "-".
func rows(n int, change func(i int, row string) string) string {
	var b strings.Builder
	at := 0.0
	for i := range n {
		ms := 9 + float64(i*7919%997)/250
		at += ms
		row := fmt.Sprintf("%.6f,%.4f,%d", at/1000, ms, 40+i%9)
		if change != nil {
			row = change(i, row)
		}
		if row != "-" {
			b.WriteString(row + "\n")
		}
	}
	return b.String()
}

func at(line int, to string) func(int, string) string {
	return func(i int, row string) string {
		if i == line {
			return to
		}
		return row
	}
}

const head = "at_s,took_ms,degrees\n"

func TestOddRowsAreLeftOutAndSaid(t *testing.T) {
	for _, c := range []struct {
		name, log string
		frames    int
		kind      string
		line      int
		count     int
	}{
		{"empty cell", head + rows(2000, at(1000, "10.1,,44")), 1999, record.RemarkLeftOut, 1002, 1},
		{"not a number", head + rows(2000, at(1000, "10.1,error,44")), 1999, record.RemarkLeftOut, 1002, 1},
		{"not finite", head + rows(2000, at(1000, "10.1,nan,44")), 1999, record.RemarkLeftOut, 1002, 1},
		{"negative", head + rows(2000, at(1000, "10.1,-3.2,44")), 1999, record.RemarkLeftOut, 1002, 1},
		{"zero", head + rows(2000, at(1000, "10.1,0.0000,44")), 1999, record.RemarkZeroFrames, 1002, 1},
		{"absurd", head + rows(2000, at(1000, "10.1,987654321.5,44")), 1999, record.RemarkLeftOut, 1002, 1},
		{"a cell too many", head + rows(2000, at(1000, "10.1,9.5,44,7")), 1999, record.RemarkLeftOut, 1002, 1},
		{"a cell too few", head + rows(2000, at(1000, "10.1,9.5")), 1999, record.RemarkLeftOut, 1002, 1},
		{"first frame without predecessor", head + rows(300, at(0, "0.0,0.0,44")), 299, record.RemarkLeftOut, 2, 1},
		{"first cell empty", head + rows(300, at(0, "0.0,,44")), 299, record.RemarkLeftOut, 2, 1},
		{"repeated heading", head + rows(300, nil) + head + rows(300, nil), 600, record.RemarkRestarted, 302, 1},
		{"started again with its preamble", "# scene: a\n" + head + rows(300, nil) + "# scene: a\n" + head + rows(300, nil), 600, record.RemarkRestarted, 304, 1},
		{"trailer", head + rows(300, nil) + "\nmean,9.99\nfrom,a,logger,of,sorts\n", 300, record.RemarkTrailer, 303, 2},
		{"summary in the form of rows", head + rows(300, nil) + "mean,10.98,44\nlongest,12.98,48\n", 300, record.RemarkTrailer, 302, 2},
		{"cut-off last line", head + rows(300, nil) + "3.2,9.", 300, record.RemarkCutOff, 302, 1},
		{"cut-off number", "took_ms\n" + strings.Repeat("9.1234\n8.7654\n", 100) + "9.1", 200, record.RemarkCutOff, 202, 1},
		{"stamps jump", head + rows(3000, func(i int, row string) string {
			if i >= 1500 {
				cells := strings.Split(row, ",")
				var s float64
				fmt.Sscan(cells[0], &s)
				return fmt.Sprintf("%.6f,%s,%s", s+30, cells[1], cells[2])
			}
			return row
		}), 3000, record.RemarkGap, 0, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := framelog.Read("x.csv", []byte(c.log), framelog.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Frames.MS) != c.frames {
				t.Errorf("%d frames, want %d", len(got.Frames.MS), c.frames)
			}
			for _, r := range got.Remarks {
				if r.Kind == c.kind {
					if c.line > 0 && r.Line != c.line || r.Count != c.count || r.Text == "" {
						t.Errorf("remark %+v, want line %d and count %d", r, c.line, c.count)
					}
					return
				}
			}
			t.Errorf("no remark %q among %+v", c.kind, got.Remarks)
		})
	}
}

func TestStampsOutOfPlace(t *testing.T) {
	stamps := func(change func(i int, s int64) int64) []byte {
		var b strings.Builder
		b.WriteString("stamp_ns\n")
		for i := range int64(3000) {
			fmt.Fprintln(&b, change(int(i), 81_234_567_890_123+i*16_000_000+i%7*1000))
		}
		return []byte(b.String())
	}
	for _, c := range []struct {
		name   string
		change func(i int, s int64) int64
		frames int
	}{
		{"one goes back", func(i int, s int64) int64 {
			if i == 1500 {
				return s - 5e9
			}
			return s
		}, 2998},
		{"one repeats", func(i int, s int64) int64 {
			if i == 1500 {
				i, s = 1499, 81_234_567_890_123+1499*16_000_000+1499%7*1000
			}
			return s
		}, 2998},
		{"the clock was set back", func(i int, s int64) int64 {
			if i >= 1500 {
				return s - 3600e9
			}
			return s
		}, 2998},
		{"the clock was set on", func(i int, s int64) int64 {
			if i >= 1500 {
				return s + 3600e9
			}
			return s
		}, 2998},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := framelog.Read("x.csv", stamps(c.change), framelog.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Frames.MS) != c.frames || len(got.Remarks) != 1 || got.Remarks[0].Line != 1502 {
				t.Errorf("%d frames, want %d; remarks %+v", len(got.Frames.MS), c.frames, got.Remarks)
			}
			for i, x := range got.Frames.MS {
				if x < 15 || x > 33 {
					t.Errorf("frame %d is %v ms", i, x)
				}
			}
		})
	}
}

func TestLogsThatAreRefused(t *testing.T) {
	many := func(i int, row string) string {
		if i%500 == 100 {
			return "1,-2,3"
		}
		return row
	}
	for _, c := range []struct {
		name, log string
		line      int
		says      string
	}{
		{"empty", "", 0, "empty"},
		{"prose", strings.Repeat("It was a dark and stormy night.\n", 50), 0, "no table"},
		{"heading only", head, 0, "no table"},
		{"too many wrong rows", head + rows(2000, many), 102, "more than 0.1 %"},
		{"NUL bytes at the end", head + rows(300, nil) + strings.Repeat("\x00", 4096), 302, "NUL"},
		{"NUL in the middle", head + rows(9000, at(8000, "1,\x00,3")), 8002, "NUL"},
		{"binary", "\x00\x01\x02\x03\x04", 1, "NUL"},
		{"parquet where it is not read", "PAR1 and so on", 0, "Parquet"},
		{"cut-off gzip", string(packed(t, "gzip", []byte(head+rows(9000, nil)))[:4000]), 0, "gzip"},
		{"cut-off zstd", string(packed(t, "zstd", []byte(head+rows(9000, nil)))[:4000]), 0, "zstd"},
		{"packed twice", string(packed(t, "gzip", packed(t, "gzip", []byte(head+rows(90, nil))))), 0, "twice"},
		{"a single stamp", "stamp_ns\n81234567890123\n", 0, "none of the"},
		{"once-a-second samples", samples(), 2, "sample"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := framelog.Read("x.csv", []byte(c.log), framelog.Options{})
			var e *framelog.Error
			if !errors.As(err, &e) {
				t.Fatalf("read %d frames, error %v", len(got.Frames.MS), err)
			}
			if !strings.Contains(e.Error(), c.says) || e.Line != c.line || e.Do == "" {
				t.Errorf("line %d: %v; want line %d, %q and what to do", e.Line, err, c.line, c.says)
			}
			if len(got.Frames.MS) != 0 {
				t.Error("an error came with frames")
			}
		})
	}
}

func samples() string {
	var b strings.Builder
	b.WriteString("second\tdegrees\n")
	for i := range 60 {
		fmt.Fprintf(&b, "%d.%03d\t%d\n", i, i%4, 50+i%7)
	}
	return b.String()
}

func packed(t *testing.T, how string, b []byte) []byte {
	t.Helper()
	var z bytes.Buffer
	var w io.WriteCloser
	if how == "gzip" {
		w = gzip.NewWriter(&z)
	} else {
		e, err := zstd.NewWriter(&z)
		if err != nil {
			t.Fatal(err)
		}
		w = e
	}
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return z.Bytes()
}

// endless yields a text again and again without holding it.
type endless struct {
	text string
	left int64
	at   int
}

func (e *endless) Read(p []byte) (int, error) {
	if e.left <= 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(p) && e.left > 0 {
		k := copy(p[n:min(len(p), n+int(min(e.left, 1<<20)))], e.text[e.at:])
		n += k
		e.left -= int64(k)
		e.at = (e.at + k) % len(e.text)
	}
	return n, nil
}

// Hostile logs get an error after a bounded look at them, in bounded memory.
func TestHostileLogs(t *testing.T) {
	bomb := packed(t, "zstd", bytes.Repeat([]byte("16.5\n"), 80<<20/5))
	good := head + rows(500, nil)
	for _, c := range []struct {
		name string
		in   io.Reader
		most int64 // bytes that may be taken
	}{
		{"a line of 2 GB", &endless{text: "7", left: 2 << 30}, 4 << 20},
		{"a line of 2 GB after good rows", io.MultiReader(strings.NewReader(good), &endless{text: "7", left: 2 << 30}), 4 << 20},
		{"a billion delimiters", &endless{text: ",", left: 1e9}, 4 << 20},
		{"a billion delimiters after good rows", io.MultiReader(strings.NewReader(good), &endless{text: ",", left: 1e9}), 4 << 20},
		{"a quote without end", io.MultiReader(strings.NewReader(good), &endless{text: "\"x\n", left: 1 << 30}), 2 << 30},
		{"a compression bomb", bytes.NewReader(bomb), 1 << 20},
		{"numbers of 10,000 digits", strings.NewReader(strings.Repeat(strings.Repeat("7", 10_000)+"\n", 100)), 4 << 20},
		{"a JSON line without end", io.MultiReader(strings.NewReader(`{"took_ms":1`), &endless{text: "0", left: 2 << 30}), 4 << 20},
		{"nested JSON without end", io.MultiReader(strings.NewReader(`{"took_ms":`), &endless{text: "[", left: 2 << 30}), 4 << 20},
	} {
		t.Run(c.name, func(t *testing.T) {
			in := &meter{r: c.in}
			var r framelog.Reader
			before := allocated()
			_, err := r.ReadStream("x.csv", in, framelog.Options{})
			if err == nil {
				t.Fatal("no error")
			}
			if in.n > c.most {
				t.Errorf("%d MB were read before: %v", in.n>>20, err)
			}
			if grown := allocated() - before; grown > 400<<20 { // all that was ever allocated, most of it freed again
				t.Errorf("%d MB were allocated", grown>>20)
			}
			if len(err.Error()) > 2000 {
				t.Errorf("an error of %d bytes", len(err.Error()))
			}
		})
	}
}

type meter struct {
	r io.Reader
	n int64
}

func (m *meter) Read(p []byte) (int, error) {
	n, err := m.r.Read(p)
	m.n += int64(n)
	return n, err
}

func allocated() uint64 {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.TotalAlloc
}

// Ten million frames stream through buffers of fixed size: what stays is the frame times.
func TestHugeLogStreams(t *testing.T) {
	if testing.Short() {
		t.Skip("reads 100 MB")
	}
	const n = 10_000_000
	line := "16.1234\n17.4321\n"
	var r framelog.Reader
	runtime.GC()
	var m0, m1 runtime.MemStats
	runtime.ReadMemStats(&m0)
	got, err := r.ReadStream("x.csv", io.MultiReader(strings.NewReader("took_ms\n"), &endless{text: line, left: int64(n/2) * int64(len(line))}), framelog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Frames.MS) != n || got.Frames.Decimals != 4 {
		t.Fatalf("%d frames on %d decimals", len(got.Frames.MS), got.Frames.Decimals)
	}
	got = record.Reading{}
	runtime.GC()
	runtime.ReadMemStats(&m1)
	if held := int64(m1.HeapAlloc) - int64(m0.HeapAlloc); held > 8*n*5/4+8<<20 {
		t.Errorf("%d MB are held for %d MB of frame times", held>>20, 8*n>>20)
	}
	runtime.KeepAlive(&r)
}

func TestSeveralPrograms(t *testing.T) {
	var b strings.Builder
	b.WriteString("program,at_s,took_ms\n")
	slow, fast := 0.0, 0.0
	for i := range 600 {
		fast += 0.008
		fmt.Fprintf(&b, "hollow.exe,%.4f,8.0\n", fast)
		if i%2 == 0 {
			slow += 0.016
			fmt.Fprintf(&b, "shop.exe,%.4f,16.0\n", slow)
		}
	}
	for _, c := range []struct {
		ask, name string
		frames    int
	}{{"", "hollow.exe", 600}, {"shop.exe", "shop.exe", 300}, {"SHOP", "shop.exe", 300}, {`D:\games\shop.exe`, "shop.exe", 300}} {
		got, err := framelog.Read("x.csv", []byte(b.String()), framelog.Options{Program: c.ask})
		if err != nil {
			t.Fatal(err)
		}
		if got.Layout.Program != c.name || len(got.Frames.MS) != c.frames || len(got.Remarks) != 1 || got.Remarks[0].Kind != record.RemarkPrograms {
			t.Errorf("asked for %q: %q with %d frames, remarks %+v", c.ask, got.Layout.Program, len(got.Frames.MS), got.Remarks)
		}
	}
	if _, err := framelog.Read("x.csv", []byte(b.String()), framelog.Options{Program: "drift.exe"}); err == nil ||
		!strings.Contains(err.Error(), `no row of the program "drift.exe"; most rows belong to "hollow.exe"`) {
		t.Errorf("a program that is not in the log: %v", err)
	}
	// Without a heading that says program, the agreement of stamps and durations tells.
	plain := strings.ReplaceAll(strings.Replace(b.String(), "program", "who", 1), ".exe", "")
	got, err := framelog.Read("x.csv", []byte(plain), framelog.Options{})
	if err != nil || got.Layout.Program != "hollow" || len(got.Frames.MS) != 600 {
		t.Errorf("read %+v with %d frames, %v", got.Layout, len(got.Frames.MS), err)
	}
}

func TestAmbiguousLogsAreNotGuessed(t *testing.T) {
	two := "draw_ms,card_ms\n"
	unit := ""
	for i := range 200 {
		two += fmt.Sprintf("%d.%d,%d.%d\n", 5+i%3, i%10, 9+i%4, i%10)
		unit += fmt.Sprintf("1.%d\n", 100+i*7919%397)
	}
	for name, log := range map[string]string{"two durations": two, "two units": unit} {
		t.Run(name, func(t *testing.T) {
			_, err := framelog.Read("logs/pass1.csv", []byte(log), framelog.Options{})
			var e *framelog.AmbiguousError
			if !errors.As(err, &e) || len(e.Candidates) != 2 {
				t.Fatalf("error %v", err)
			}
			if strings.Contains(e.Summary(), "\n") || len(e.Settings()) != 2 {
				t.Errorf("summary %q, settings %q", e.Summary(), e.Settings())
			}
			for i, c := range e.Candidates {
				if !strings.HasSuffix(e.Settings()[i], "\n"+c.TOML("logs/pass1.csv")) {
					t.Errorf("settings %q", e.Settings()[i])
				}
				d := framelog.Declared{Name: "chosen", Column: c.Column, Kind: c.Kind, Unit: c.Unit}
				if strings.HasPrefix(c.Column, "column ") {
					d.Column = fmt.Sprint(c.Position)
				}
				if !strings.Contains(err.Error(), c.TOML("logs/pass1.csv")) || !strings.Contains(c.TOML("logs/pass1.csv"), fmt.Sprintf("column = %q", d.Column)) {
					t.Errorf("the message lacks the configuration lines: %v", err)
				}
				got, err := framelog.Read("logs/pass1.csv", []byte(log), framelog.Options{Layouts: []framelog.Declared{d}})
				if err != nil {
					t.Fatal(err)
				}
				fps := 1000 * float64(len(got.Frames.MS)) / got.Frames.TotalMS()
				if got.Layout.Declared != "chosen" || fps < 0.8*c.AvgFPS || fps > 1.25*c.AvgFPS {
					t.Errorf("chosen %+v gives %v FPS: %+v", c, fps, got.Layout)
				}
			}
		})
	}
}

func TestDeclaredLayouts(t *testing.T) {
	log := "free text, with a comma\nmore\nwhen;what;draw_ms;card_ms\n"
	for i := range 300 {
		log += fmt.Sprintf("%d;x;%d,%d;%d,5\n", i, 5+i%3, i%10, 9+i%4)
	}
	base := framelog.Declared{Name: "mine", Path: "*.txt", Heading: "draw_ms", Column: "card_ms", Kind: "duration", Unit: "ms"}
	with := func(change func(d *framelog.Declared)) framelog.Declared {
		d := base
		change(&d)
		return d
	}
	for _, c := range []struct {
		name string
		d    framelog.Declared
		err  string
	}{
		{"by heading", base, ""},
		{"by position", with(func(d *framelog.Declared) { d.Column = "4" }), ""},
		{"everything stated", with(func(d *framelog.Declared) { d.Delimiter, d.Decimal, d.SkipLines = ";", ",", 2 }), ""},
		{"no such column", with(func(d *framelog.Declared) { d.Column = "gone_ms" }), `"card_ms"`},
		{"a column of text", with(func(d *framelog.Declared) { d.Column = "what" }), "line 4"},
		{"no such unit", with(func(d *framelog.Declared) { d.Unit = "minutes" }), "unit"},
		{"too many lines to skip", with(func(d *framelog.Declared) { d.SkipLines = 5000 }), "skip_lines"},
		{"another path", with(func(d *framelog.Declared) { d.Path = "*.csv" }), "more than one"},
		{"another heading", with(func(d *framelog.Declared) { d.Heading = "nothing of the kind" }), "more than one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := framelog.Read("logs/pass.txt", []byte(log), framelog.Options{Layouts: []framelog.Declared{c.d}})
			if c.err != "" {
				if err == nil || !strings.Contains(err.Error(), c.err) {
					t.Errorf("error %v, want %q in it", err, c.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got.Frames.MS[0] != 9.5 || len(got.Frames.MS) != 300 || got.Layout.Declared != "mine" {
				t.Errorf("read as %+v, first %v, %d frames", got.Layout, got.Frames.MS[0], len(got.Frames.MS))
			}
		})
	}
}

func TestFileThatGrowsIsReadAgain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.csv")
	if err := os.WriteFile(path, []byte(head+rows(300, nil)), 0o644); err != nil {
		t.Fatal(err)
	}
	grown := false
	opt := framelog.Options{Formats: []framelog.Format{{Name: "never", Magic: "at_s", Text: func(r io.ReaderAt, size int64) (io.Reader, error) {
		if !grown { // the logger writes on while the first reading goes on
			grown = true
			f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
			if err != nil {
				return nil, err
			}
			defer f.Close()
			if _, err := f.WriteString(rows(100, nil)); err != nil {
				return nil, err
			}
		}
		return io.NewSectionReader(r, 0, size), nil
	}}}}
	got, d, err := framelog.ReadFile(path, opt)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Frames.MS) < 399 || d.Size != int64(len(text)) || d.SHA256 != sum(text) {
		t.Errorf("%d frames, digest %+v of %d bytes", len(got.Frames.MS), d, len(text))
	}
}
