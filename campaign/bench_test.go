package campaign_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/campaign"
	"capd.example/campaign/precision"
	"capd.example/record"
)

// large is a campaign file of 100,000 cells: 10 processors x 20 cards x 25 games x 4
// resolutions x 5 presets.
func large() []byte {
	var b strings.Builder
	b.WriteString("name = \"large\"\nlength_s = 60\nlead_in_s = 90\n[factors]\n")
	for _, f := range []struct {
		name string
		n    int
	}{{"cpu", 10}, {"gpu", 20}, {"resolution", 4}, {"preset", 5}} {
		fmt.Fprintf(&b, "%s = [", f.name)
		for i := range f.n {
			fmt.Fprintf(&b, "\"%s %d\",", f.name, i)
		}
		b.WriteString("]\n")
	}
	b.WriteString("[change_minutes]\ncpu = 40\ngpu = 15\ngame = 2\nresolution = 1\npreset = 0.5\n")
	for i := range 25 {
		fmt.Fprintf(&b, "[[game]]\nname = \"game %d\"\n", i)
	}
	b.WriteString("[[exclude]]\ngpu = \"gpu 0\"\nresolution = \"resolution 3\"\n")
	return []byte(b.String())
}

// Planning 100,000 cells: file, order, estimate, bound, plain loops. The memory that is in
// use at most is sampled while it runs and reported as peak-MB.
func BenchmarkPlan100k(b *testing.B) {
	text := large()
	peak, stop := sampleHeap()
	for b.Loop() {
		c, err := campaign.Parse(text)
		if err != nil {
			b.Fatal(err)
		}
		p, err := campaign.NewPlan(c)
		if err != nil {
			b.Fatal(err)
		}
		if e := p.Estimate(0); e.Cells != 98750 || e.ChangeTime < p.Bound() || p.Written() < e.ChangeTime {
			b.Fatal(e)
		}
	}
	stop()
	b.ReportMetric(<-peak, "peak-MB")
}

// The same with coverage of 30,000 passes, position, what is left and precision.
func BenchmarkCoverage100k(b *testing.B) {
	c, err := campaign.Parse(large())
	if err != nil {
		b.Fatal(err)
	}
	p := plan(b, c)
	var passes []record.Pass
	for i := range 10_000 {
		for k := range 3 {
			pass := made(p, i, 3*i+k, record.Clean)
			pass.Metrics.AvgFPS = 90 + float64((i*7+k*13)%17)/10
			passes = append(passes, pass)
		}
	}
	orders := begin(p, 0)
	peak, stop := sampleHeap()
	for b.Loop() {
		pos, cover := p.Replay(orders, passes)
		if pos.Cell != 10_000 {
			b.Fatalf("at cell %d", pos.Cell)
		}
		if left, _ := cover.Left(pos); left != 3*(p.Len()-10_000) {
			b.Fatal(left)
		}
		if needs := precision.Rank(cover, pos, precision.DefaultWish); len(needs) == 0 {
			b.Fatal("nothing is needed")
		}
	}
	stop()
	b.ReportMetric(<-peak, "peak-MB")
}

// Precision where the cells of a game do not repeat alike, so that each has a spread of its
// own: 10,000 cells with three passes.
func BenchmarkPrecisionMixed(b *testing.B) {
	c, err := campaign.Parse(large())
	if err != nil {
		b.Fatal(err)
	}
	p := plan(b, c)
	r := rand.New(rand.NewPCG(1, 1))
	var passes []record.Pass
	for i := range 10_000 {
		sd := 0.002 * math.Exp(r.NormFloat64())
		for k := range 3 {
			pass := made(p, i, 3*i+k, record.Clean)
			pass.Metrics.AvgFPS = 90 * math.Exp(sd*r.NormFloat64())
			passes = append(passes, pass)
		}
	}
	cover := p.Cover(passes)
	for b.Loop() {
		precision.Of(cover, precision.DefaultWish)
	}
}

// sampleHeap looks at the heap every millisecond until stop is called.
func sampleHeap() (peak <-chan float64, stop func()) {
	out, done := make(chan float64, 1), make(chan struct{})
	go func() {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		most := uint64(0)
		for {
			select {
			case <-done:
				out <- float64(most) / 1e6
				return
			case <-tick.C:
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, m.HeapSys-m.HeapReleased)
			}
		}
	}()
	return out, func() { close(done) }
}
