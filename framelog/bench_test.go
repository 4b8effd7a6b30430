package framelog_test

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"sync/atomic"
	"testing"

	"capd.example/framelog"
	"capd.example/internal/testlab"
	"capd.example/metrics"
)

// benchLogs writes n typical logs of twelve columns and returns their paths and size.
func benchLogs(b *testing.B, n int) ([]string, int64) {
	b.Helper()
	dir := b.TempDir()
	var paths []string
	var size int64
	for i := range n {
		ms := testlab.Scene{Seed: uint64(i), FPS: 160, Seconds: 61, Load: 3}.Frames()
		text := testlab.WideLog(uint64(i), ms)
		size += int64(len(text))
		p := filepath.Join(dir, fmt.Sprintf("pass%d.csv", i))
		if err := os.WriteFile(p, text, 0o644); err != nil {
			b.Fatal(err)
		}
		paths = append(paths, p)
	}
	return paths, size / int64(n)
}

// BenchmarkTypicalLog reads logs of about 0.95 MB from the page cache, one after
// another: MB/s is MB per processor second here. The ways beside ours are yardsticks.
func BenchmarkTypicalLog(b *testing.B) {
	paths, size := benchLogs(b, 24)
	ways := []struct {
		name string
		read func() func(path string) error
	}{
		{"figures", func() func(string) error { return figures(framelog.Options{NoHash: true}) }},
		{"figures+sha256", func() func(string) error { return figures(framelog.Options{}) }},
		{"reader", func() func(string) error { return readerOnly(framelog.Options{NoHash: true}) }},
		{"single-column", singleColumn},
		{"count-lines", countLines},
		{"page-cache", pageCache},
		{"encoding-csv", encodingCSV},
	}
	for _, w := range ways {
		b.Run(w.name, func(b *testing.B) {
			read := w.read()
			b.SetBytes(size)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				if err := read(paths[i%len(paths)]); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("figures-all-cores", func(b *testing.B) {
		b.SetBytes(size)
		var next atomic.Int64
		b.RunParallel(func(pb *testing.PB) {
			read := figures(framelog.Options{NoHash: true})
			for pb.Next() {
				if err := read(paths[int(next.Add(1))%len(paths)]); err != nil {
					b.Error(err)
				}
			}
		})
	})
}

func figures(opt framelog.Options) func(string) error {
	var r framelog.Reader
	var c metrics.Computer
	return func(path string) error {
		got, _, err := r.ReadFile(path, opt)
		if err != nil {
			return err
		}
		_, err = c.Compute(got.Frames)
		return err
	}
}

func readerOnly(opt framelog.Options) func(string) error {
	var r framelog.Reader
	return func(path string) error {
		_, _, err := r.ReadFile(path, opt)
		return err
	}
}

// singleColumn is a throw-away reader that knows the layout, checks nothing and sorts
// nothing: the fourth column's digits until the next comma.
func singleColumn() func(string) error {
	buf := make([]byte, 0, 2<<20)
	ms := make([]float64, 0, 1<<16)
	return func(path string) error {
		var err error
		if buf, err = slurp(path, buf); err != nil {
			return err
		}
		ms = ms[:0]
		b := buf[bytes.IndexByte(buf, '\n')+1:]
		for len(b) > 0 {
			for range 3 {
				b = b[bytes.IndexByte(b, ',')+1:]
			}
			m, scale, point := 0.0, 1.0, false
			for ; b[0] != ','; b = b[1:] {
				if b[0] == '.' {
					point = true
					continue
				}
				m = m*10 + float64(b[0]-'0')
				if point {
					scale *= 10
				}
			}
			ms = append(ms, m/scale)
			b = b[bytes.IndexByte(b, '\n')+1:]
		}
		return nil
	}
}

func countLines() func(string) error {
	var buf []byte
	return func(path string) error {
		var err error
		buf, err = slurp(path, buf)
		if bytes.Count(buf, []byte{'\n'}) == 0 {
			return io.ErrUnexpectedEOF
		}
		return err
	}
}

func pageCache() func(string) error {
	var buf []byte
	return func(path string) error {
		var err error
		buf, err = slurp(path, buf)
		return err
	}
}

func slurp(path string, buf []byte) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return buf, err
	}
	defer f.Close()
	if buf == nil || cap(buf) < 2<<20 {
		buf = make([]byte, 2<<20)
	}
	buf = buf[:cap(buf)]
	n := 0
	for {
		k, err := f.Read(buf[n:])
		n += k
		if err == io.EOF {
			return buf[:n], nil
		}
		if err != nil {
			return buf[:n], err
		}
	}
}

func encodingCSV() func(string) error {
	var c metrics.Computer
	return func(path string) error {
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		r := csv.NewReader(bufio.NewReaderSize(f, 1<<16))
		r.ReuseRecord = true
		if _, err := r.Read(); err != nil {
			return err
		}
		var got []float64
		for {
			row, err := r.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				return err
			}
			x, err := strconv.ParseFloat(row[3], 64)
			if err != nil {
				return err
			}
			got = append(got, x)
		}
		_, err = c.Compute(frames(got))
		return err
	}
}
