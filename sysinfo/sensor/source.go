package sensor

import (
	"math"
	"time"
)

// Column is one quantity of a sample. A column whose name begins with a dot is for our
// own use and is not handed out.
type Column struct{ Name, Unit, Source string }

// Source reads some columns of every sample. read is called from one goroutine at a
// time; row holds NaN where it comes in; elapsed is the time since the last call in
// seconds, 0 at the first. A source allocates nothing in read.
type Source interface {
	Label() string
	Columns() []Column
	Read(row []float64, now time.Time)
	Close()
}

// clock measures the time between a source's own reads: one that was blocked for a while
// has missed samples.
type clock struct{ last time.Time }

// since returns the seconds since the last call, 0 at the first.
func (c *clock) since(now time.Time) float64 {
	s := 0.0
	if !c.last.IsZero() {
		s = now.Sub(c.last).Seconds()
	}
	c.last = now
	return s
}

// counter turns a cumulative count into a rate.
type counter struct {
	last uint64
	seen bool
}

// rate returns the growth per second times scale, NaN where there is none to tell: at the
// first look, and when the count went back (a driver was loaded anew).
func (c *counter) rate(now uint64, elapsed, scale float64) float64 {
	last, seen := c.last, c.seen
	c.last, c.seen = now, true
	if !seen || now < last || elapsed <= 0 {
		return math.NaN()
	}
	return float64(now-last) * scale / elapsed
}
