package metrics

import (
	"math"
	"slices"
	"sync"

	"capd.example/record"
)

// Computer computes figures with buffers that it keeps, so that a second pass of the
// same length allocates nothing. It must not be used by two goroutines at a time; its
// zero value is ready.
type Computer struct {
	count  [2][bins]uint32 // frames per bin; two halves, so that neighbours seldom wait for each other
	class  [bins]uint8     // segment that a bin belongs to, plus one; 0 for none
	keys   []uint64        // the frames in the segments
	stats  ordered
	clean  []float64
	window []uint64
	floors []uint64
}

var computers = sync.Pool{New: func() any { return new(Computer) }}

// Compute returns the default figures of a pass; the package comment defines them. The
// error is a [*FrameError].
func Compute(f record.Frames) (record.Metrics, error) {
	c := computers.Get().(*Computer)
	defer computers.Put(c)
	return c.Compute(f)
}

// Compute is like the function [Compute].
func (c *Computer) Compute(f record.Frames) (record.Metrics, error) {
	s, err := c.survey(f.MS)
	if err != nil {
		return record.Metrics{}, err
	}
	n := len(f.MS)
	total := newSum(n, f.Decimals, ms(s.longest))
	total.addAll(s.ms)
	o := c.order(s)
	m := record.Metrics{
		Frames:      n,
		DurationS:   total.seconds(),
		AvgFPS:      rate(n, total.ms(), ms(s.shortest), ms(s.longest)),
		MedianMS:    o.quantile(n, 1, 2),
		P95MS:       o.quantile(n, 95, 100),
		MaxMS:       ms(s.longest),
		Low1Sparse:  n < 10*100,
		Low01Sparse: n < 10*1000,
	}
	tail := o.tail(n)
	m.P99MS = quantileOf(tail, n, 99, 100)
	m.P999MS = quantileOf(tail, n, 999, 1000)
	if m.P99MS < ShortestMS {
		return record.Metrics{}, &FrameError{Reason: NoLength, Index: -1}
	}
	m.P99FPS = 1000 / m.P99MS
	setLows(&m, tail, &total, sum{scale: total.scale})
	m.Hitches = c.countHitches(s.ms, DefaultHitchRule())
	return m, nil
}

func (s *sum) seconds() float64 {
	if s.scale > 0 {
		return float64(s.ticks) / (s.scale * 1000)
	}
	return s.wide.value() / 1000
}

// rate returns frames per second of k frames that took t ms together. Rounding must not
// carry it past the rates of the shortest and the longest of them.
func rate(k int, t, shortest, longest float64) float64 {
	return max(min(1000*float64(k)/t, 1000/shortest), 1000/longest)
}

// setLows computes the low rates from the ceil(N/100) longest frames, which end tail in
// ascending order.
func setLows(m *record.Metrics, tail []uint64, total *sum, c sum) {
	k1, k01 := tailLength(m.Frames, 100), tailLength(m.Frames, 1000)
	for j := 1; j <= k1; j++ {
		d := ms(tail[len(tail)-j])
		c.add(d)
		if m.Low1TimeFPS == 0 && c.reaches(total, 100) {
			m.Low1TimeFPS = 1000 / d
		}
		if j == k01 {
			m.Low01FPS = rate(k01, c.ms(), d, m.MaxMS)
		}
		if j == k1 {
			m.Low1FPS = rate(k1, c.ms(), d, m.MaxMS)
		}
	}
}

// tailLength returns ceil(n/of).
func tailLength(n, of int) int { return (n + of - 1) / of }

// survey is what one look at all frames tells.
type survey struct {
	ms                []float64
	shortest, longest uint64
}

// survey checks the frame times and counts them into the bins.
func (c *Computer) survey(x []float64) (survey, error) {
	if len(x) == 0 {
		return survey{}, &FrameError{Reason: Empty, Index: -1}
	}
	clear(c.count[0][:])
	clear(c.count[1][:])
	s := survey{ms: x, shortest: math.MaxUint64}
	limit := math.Float64bits(LongestMS)
	for i, v := range x {
		k := math.Float64bits(v)
		if k > limit {
			if err := refuse(i, v); err != nil {
				return survey{}, err
			}
			return c.survey(c.withoutSign(x)) // minus zero
		}
		s.shortest, s.longest = min(s.shortest, k), max(s.longest, k)
		c.count[i&1][bin(k)]++
	}
	return s, nil
}

func refuse(i int, v float64) error {
	e := &FrameError{Index: i, Value: v}
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		e.Reason = NotFinite
	case v < 0:
		e.Reason = Negative
	case v > LongestMS:
		e.Reason = TooLong
	default:
		return nil
	}
	return e
}

// withoutSign returns a copy of x in which minus zero is zero.
func (c *Computer) withoutSign(x []float64) []float64 {
	c.clean = append(c.clean[:0], x...)
	for i, v := range c.clean {
		if v == 0 {
			c.clean[i] = 0
		}
	}
	return c.clean
}

// segment holds the frames of neighbouring bins; the first has rank base in all frames.
type segment struct {
	from, to int // bins
	base     int
	keys     []uint64
	placed   int // the order statistics asked for so far are in place up to here
}

// ordered gives order statistics from the few segments that hold them. Ranks must be
// asked for in ascending order of quantiles.
type ordered struct {
	segments [3]segment
	n        int
}

// order gathers the frames around the median and the 95th percentile and those of the
// slowest 1 % with the one before them.
func (c *Computer) order(s survey) *ordered {
	n := len(s.ms)
	wanted := [3][2]int{quantileRanks(n, 1, 2), quantileRanks(n, 95, 100), {tailStart(n), n - 1}}
	c.stats = ordered{}
	o := &c.stats
	w := walk{c: c, bin: bin(s.shortest)}
	size := 0
	for _, r := range wanted {
		from, base := w.to(r[0])
		to, before := w.to(r[1])
		end := before + w.here()
		if last := o.n - 1; last >= 0 && from <= o.segments[last].to {
			g := &o.segments[last]
			if to > g.to {
				size += end - (g.base + g.placed)
				g.to, g.placed = to, end-g.base
			}
			continue
		}
		// placed serves as the number of frames until they are gathered.
		o.segments[o.n] = segment{from: from, to: to, base: base, placed: end - base}
		o.n++
		size += end - base
	}
	c.keys = slices.Grow(c.keys[:0], size)[:size]
	c.gather(s.ms, o)
	return o
}

// walk goes through the counted bins.
type walk struct {
	c      *Computer
	bin    int
	before int // frames in lower bins
}

func (w *walk) here() int { return int(w.c.count[0][w.bin] + w.c.count[1][w.bin]) }

// to goes to the bin of the given rank and returns it with the rank of its first frame.
func (w *walk) to(rank int) (bin, first int) {
	for rank >= w.before+w.here() {
		w.before += w.here()
		w.bin++
	}
	for rank < w.before {
		w.bin--
		w.before -= w.here()
	}
	return w.bin, w.before
}

func (c *Computer) gather(x []float64, o *ordered) {
	var at [4]int
	start := 0
	for i := range o.segments[:o.n] {
		g := &o.segments[i]
		for b := g.from; b <= g.to; b++ {
			c.class[b] = uint8(i + 1)
		}
		at[i+1] = start
		g.keys = c.keys[start : start+g.placed]
		start += g.placed
		g.placed = -1
	}
	for _, v := range x {
		k := math.Float64bits(v)
		if class := c.class[bin(k)] & 3; class != 0 {
			c.keys[at[class]] = k
			at[class]++
		}
	}
	for _, g := range o.segments[:o.n] {
		clear(c.class[g.from : g.to+1])
	}
}

// quantileRanks returns the ranks, from 0, between which the type 7 quantile for
// p = num/den of n frames lies.
func quantileRanks(n, num, den int) [2]int {
	lo := (n - 1) * num / den
	return [2]int{lo, min(lo+1, n-1)}
}

// between returns the type 7 quantile for p = num/den from the two order statistics.
func between(lo, hi float64, n, num, den int) float64 {
	g := float64((n-1)*num%den) / float64(den)
	return min(lo+g*(hi-lo), hi)
}

func (o *ordered) quantile(n, num, den int) float64 {
	r := quantileRanks(n, num, den)
	lo := o.at(r[0])
	return between(ms(lo), ms(o.at(r[1])), n, num, den)
}

// tailStart returns the rank of the frame before the slowest 1 %.
func tailStart(n int) int { return max(n-tailLength(n, 100)-1, 0) }

// tail returns the frames from tailStart on in ascending order.
func (o *ordered) tail(n int) []uint64 {
	o.at(tailStart(n))
	g := &o.segments[o.n-1]
	t := g.keys[tailStart(n)-g.base:]
	slices.Sort(t)
	return t
}

// quantileOf returns a quantile from the tail of n frames.
func quantileOf(tail []uint64, n, num, den int) float64 {
	r := quantileRanks(n, num, den)
	skip := n - len(tail)
	return between(ms(tail[r[0]-skip]), ms(tail[r[1]-skip]), n, num, den)
}

// at returns the order statistic of the given rank.
func (o *ordered) at(rank int) uint64 {
	for i := range o.segments[:o.n] {
		g := &o.segments[i]
		r := rank - g.base
		if r >= len(g.keys) {
			continue
		}
		if r > g.placed {
			placeRank(g.keys[g.placed+1:], r-g.placed-1)
			g.placed = r
		}
		return g.keys[r]
	}
	return 0
}
