package sysinfo

import (
	"math"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/sensor"
)

// ring keeps the latest rows of samples. Rows lie one behind the other so that a full
// ring is one piece of memory.
type ring struct {
	cols   []sensor.Column
	at     []time.Time // zero where nothing was written yet
	span   []float64   // seconds that the row's rates cover
	rested []bool      // the machine was seen at rest since the row before
	slept  []float64   // seconds that it slept since the row before, -1 for unknown
	values []float64
	next   int
	fresh  []int // for each column of a source that is read in turns its colFresh, else -1
}

func newRing(cols []sensor.Column, rows int) *ring {
	fresh := make([]int, len(cols))
	for i := range fresh {
		fresh[i] = -1
	}
	return &ring{cols: cols, fresh: fresh, at: make([]time.Time, rows), span: make([]float64, rows),
		rested: make([]bool, rows), slept: make([]float64, rows), values: make([]float64, rows*len(cols))}
}

// inTurns says that the columns [from, to) are of a source that is read in turns.
func (r *ring) inTurns(from, to int) {
	for i := from; i < to; i++ {
		r.fresh[i] = to - 1
	}
}

func (r *ring) put(at time.Time, span float64, rested bool, slept float64, row []float64) {
	r.at[r.next], r.span[r.next], r.rested[r.next], r.slept[r.next] = at, span, rested, slept
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
		if c.Name == name {
			return i
		}
	}
	return -1
}

// series copies the columns of the rows, which are those of a window. A column that was
// never read in them becomes a gap instead.
func (r *ring) series(rows []int, from, to time.Time) (list []record.Series, missing []record.Gap) {
	for i, c := range r.cols {
		told := rows
		if fresh := r.fresh[i]; fresh >= 0 {
			told = r.turns(rows, fresh, from, to)
		}
		if c.Name[0] == '.' {
			continue
		}
		values := make([]float64, len(rows))
		known := false
		for j, k := range told {
			values[j] = math.NaN()
			if k >= 0 {
				values[j] = r.row(k)[i]
			}
			known = known || !math.IsNaN(values[j])
		}
		if !known {
			missing = append(missing, record.Gap{Name: c.Name, Why: record.Broken,
				Text: c.Source + " gave no number in this time"})
			continue
		}
		list = append(list, record.Series{Name: c.Name, Unit: c.Unit, Source: c.Source, Values: values})
	}
	return list, missing
}

// turns returns for each row the one whose reading tells of its seconds, -1 for none: of a
// source that is read in turns (fresh is its column that says so) the first reading that
// was taken then or later, perhaps after the window. What covers the window with less than
// half of its time tells of something else, such as the rest before a pass.
func (r *ring) turns(rows []int, fresh int, from, to time.Time) []int {
	told := make([]int, len(rows))
	for j, k := range rows {
		told[j] = -1
		z := r.reading(k, 1, fresh)
		if z < 0 {
			continue
		}
		since := r.at[z].Round(0).Add(-seconds(r.span[z]))
		if a := r.reading(r.beside(z, -1), -1, fresh); a >= 0 {
			since = r.at[a].Round(0)
		}
		if mostlyWithin(since, r.at[z].Round(0), from, to) {
			told[j] = z
		}
	}
	return told
}

// reading returns the first row from k on, forwards or backwards, that was a turn; -1
// where none is kept.
func (r *ring) reading(k, step, fresh int) int {
	for k >= 0 && r.row(k)[fresh] != 1 {
		k = r.beside(k, step)
	}
	return k
}

// beside returns the row after (step 1) or before (step -1) row k; -1 at the ends.
func (r *ring) beside(k, step int) int {
	n := len(r.at)
	next := (k + step + n) % n
	if step > 0 && next == r.next || step < 0 && k == r.next || r.at[next].IsZero() {
		return -1
	}
	return next
}

// mostlyWithin reports whether at least half of the time from a to z lies in the window.
func mostlyWithin(a, z, from, to time.Time) bool {
	whole := z.Sub(a)
	if whole <= 0 {
		return !z.Before(from) && !z.After(to)
	}
	if a.Before(from) {
		a = from
	}
	if z.After(to) {
		z = to
	}
	return 2*z.Sub(a) >= whole
}
