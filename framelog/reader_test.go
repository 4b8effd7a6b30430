package framelog_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/testlab"
)

func TestDigestIsThatOfTheBytesOnDisk(t *testing.T) {
	text := []byte(head + rows(3000, nil))
	for name, b := range map[string][]byte{"a.csv": text, "a.csv.gz": packed(t, "gzip", text), "a.csv.zst": packed(t, "zstd", text), "not-a-log.csv": []byte("hello\nworld\n")} {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		got, d, err := framelog.ReadFile(path, framelog.Options{})
		if (err != nil) != (name == "not-a-log.csv") || err == nil && len(got.Frames.MS) != 3000 {
			t.Errorf("%s: %d frames, %v", name, len(got.Frames.MS), err)
		}
		if d.SHA256 != sum(b) || d.Size != int64(len(b)) || !d.ModTime.Equal(info.ModTime()) {
			t.Errorf("%s: digest %+v", name, d)
		}
		if _, d, _ = framelog.ReadFile(path, framelog.Options{NoHash: true}); d.SHA256 != "" {
			t.Errorf("%s: hashed against the order", name)
		}
	}
	if _, _, err := framelog.ReadFile(t.TempDir(), framelog.Options{}); err == nil || !strings.Contains(err.Error(), "no regular file") {
		t.Errorf("a folder: %v", err)
	}
}

// A reader allocates nothing per row, and the same little for a log of any length.
func TestReaderAllocatesNothingPerRow(t *testing.T) {
	allocs := func(n int) float64 {
		ms := make([]float64, n)
		for i := range ms {
			ms[i] = 8 + float64(i*7919%499)/100
		}
		log := testlab.WideLog(1, ms)
		var r framelog.Reader
		return testing.AllocsPerRun(5, func() {
			if _, err := r.Read("x.csv", log, framelog.Options{}); err != nil {
				t.Fatal(err)
			}
		})
	}
	short, long := allocs(2000), allocs(40_000)
	if long > short+5 || long > 200 {
		t.Errorf("%v allocations for 2,000 rows, %v for 40,000", short, long)
	}
}

// A reader that has read something else, or failed, reads the next log as a new one
// does.
func TestReaderForgets(t *testing.T) {
	logs := []string{head + rows(3000, nil), "nonsense", string(testlab.Log(testlab.StyleStamps, []float64{9, 10, 11, 9, 10}, nil)), "program,took_ms\n" + strings.Repeat("a.exe,9.5\nb.exe,8.25\n", 50), "took_ms\n9\n9.25\n9.125\n"}
	var r framelog.Reader
	for range 3 {
		for _, log := range logs {
			got, err := r.Read("x.csv", []byte(log), framelog.Options{})
			want, err2 := framelog.Read("x.csv", []byte(log), framelog.Options{})
			if (err == nil) != (err2 == nil) || len(got.Frames.MS) != len(want.Frames.MS) || got.Layout != want.Layout || got.Frames.Decimals != want.Frames.Decimals || len(got.Remarks) != len(want.Remarks) {
				t.Fatalf("%.40q: %+v %v, want %+v %v", log, got.Layout, err, want.Layout, err2)
			}
		}
	}
}

func TestExplain(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.csv")
	if err := os.WriteFile(path, []byte("# scene: halyard\r\n"+strings.ReplaceAll(head+rows(300, nil), "\n", "\r\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	e, err := framelog.Explain(path, framelog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if e.LineEnds != "CRLF" || e.Preamble != 2 || len(e.Columns) != 3 || e.Columns[1].Used != "frame times, duration in ms" || e.Columns[0].Used == "" || e.Columns[2].Used != "" {
		t.Errorf("%+v", e)
	}
	if len(e.Rows) != 5 || e.Rows[0].Line != 3 || e.Rows[1].MS != e.Reading.Frames.MS[1] || e.Reading.Header["scene"] != "halyard" {
		t.Errorf("%+v", e.Rows)
	}
}
