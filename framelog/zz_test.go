package framelog

import (
	"capd.example/internal/testlab"
	"os"
	"testing"
)

func prep(b *testing.B) ([]byte, *scan, int) {
	ms := testlab.Scene{Seed: 1, FPS: 160, Seconds: 61, Load: 3}.Frames()
	text := testlab.WideLog(1, ms)[:128<<10]
	text = append(text, make([]byte, 256)...)
	for i := 128 << 10; i < len(text); i++ {
		text[i] = ' '
	}
	var sm sampler
	t, err := sm.findTable(text[:128<<10], false, Declared{})
	if err != nil {
		b.Fatal(err)
	}
	r := &Reader{sampler: sm}
	ch, err := r.decide(t, Declared{}, "", "x")
	if err != nil {
		b.Fatal(err)
	}
	s := &scan{}
	s.begin(t, ch, 20000, 1<<20)
	return text, s, t.body
}
func BenchmarkZMasks(b *testing.B) {
	text, s, _ := prep(b)
	m := make([]uint64, 1<<14)
	b.SetBytes(128 << 10)
	for b.Loop() {
		masks(text, 2048, ',', '\n', m)
	}
	_ = s
	_ = os.Args
}
func BenchmarkZEnds(b *testing.B) {
	text, s, _ := prep(b)
	s.masks = make([]uint64, 1<<14)
	masks(text, 2048, ',', '\n', s.masks)
	b.SetBytes(128 << 10)
	for b.Loop() {
		s.listEnds(2048)
	}
}
func BenchmarkZLines(b *testing.B) {
	text, s, body := prep(b)
	b.SetBytes(128 << 10)
	n := 0
	for b.Loop() {
		s.lines(text, body, 128<<10, false)
		for _, t := range s.tracks {
			n = len(t.ms)
			t.ms = t.ms[:0]
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/row")
}
func BenchmarkZDec(b *testing.B) {
	text, s, body := prep(b)
	s.lines(text, body, 128<<10, false)
	var pos []int
	start := 0
	for _, e := range s.ends {
		pos = append(pos, body+s.cell(start, s.main))
		start = int(e.at) + 1
	}
	var sum uint64
	for b.Loop() {
		for _, p := range pos {
			m, _, _ := scanDecimal(text, p, '.')
			sum += m
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(pos)), "ns/row")
}
