package sysinfo

import (
	"math"
	"time"

	"capd.example/record"
)

// column is one quantity of a sample. A column whose name begins with a dot is for our
// own use and is not handed out.
type column struct{ name, unit, source string }

// source reads some columns of every sample. read is called from one goroutine at a
// time; row holds NaN where it comes in; elapsed is the time since the last call in
// seconds, 0 at the first. A source allocates nothing in read.
type source interface {
	label() string
	columns() []column
	read(row []float64, now time.Time)
	close()
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

// ring keeps the latest rows of samples. Rows lie one behind the other so that a full
// ring is one piece of memory.
type ring struct {
	cols   []column
	at     []time.Time // zero where nothing was written yet
	span   []float64   // seconds that the row's rates cover
	rested []bool      // the machine was seen at rest since the row before
	values []float64
	next   int
}

func newRing(cols []column, rows int) *ring {
	return &ring{cols: cols, at: make([]time.Time, rows), span: make([]float64, rows), rested: make([]bool, rows), values: make([]float64, rows*len(cols))}
}

func (r *ring) put(at time.Time, span float64, rested bool, row []float64) {
	r.at[r.next], r.span[r.next], r.rested[r.next] = at, span, rested
	copy(r.values[r.next*len(r.cols):], row)
	r.next = (r.next + 1) % len(r.at)
}

// between returns the positions of the rows taken in [from, to], oldest first.
func (r *ring) between(from, to time.Time) []int {
	var rows []int
	for i := range r.at {
		k := (r.next + i) % len(r.at)
		if t := r.at[k]; !t.IsZero() && !t.Before(from) && !t.After(to) {
			rows = append(rows, k)
		}
	}
	return rows
}

func (r *ring) row(k int) []float64 { return r.values[k*len(r.cols) : (k+1)*len(r.cols)] }

func (r *ring) index(name string) int {
	for i, c := range r.cols {
		if c.name == name {
			return i
		}
	}
	return -1
}

// series copies the columns of the rows. A column that was never read in them becomes a
// gap instead.
func (r *ring) series(rows []int) (list []record.Series, missing []record.Gap) {
	for i, c := range r.cols {
		if c.name[0] == '.' {
			continue
		}
		values := make([]float64, len(rows))
		known := false
		for j, k := range rows {
			values[j] = r.row(k)[i]
			known = known || !math.IsNaN(values[j])
		}
		if !known {
			missing = append(missing, record.Gap{Name: c.name, Why: record.Broken, Text: c.source + " gave no number in this time"})
			continue
		}
		list = append(list, record.Series{Name: c.name, Unit: c.unit, Source: c.source, Values: values})
	}
	return list, missing
}
