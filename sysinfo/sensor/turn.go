package sensor

import (
	"math"
	"time"
)

// turn says in which samples a source is read that is costly for what it tells: in every
// nth, at a place of its own, so that no sample carries many of them.
type turn struct{ every, at int }

// always is in every sample.
var always = turn{every: 1}

func (t turn) of(s Source) Source {
	if t.every <= 1 {
		return s
	}
	return &Rare{Source: s, turn: t, held: make([]float64, len(s.Columns()))}
}

// ColumnFresh is the last column of a rare source: 1 in its turns, 0 where the row repeats.
const ColumnFresh = ".fresh"

// Rare is read in its turns; in between its row is the last one. A rate stands for
// the time since the turn before: see [ring.turns], which gives it to those seconds.
type Rare struct {
	Source
	turn
	n    int
	held []float64
}

func (s *Rare) Columns() []Column {
	return append(s.Source.Columns(), Column{Name: ColumnFresh})
}

func (s *Rare) Read(row []float64, now time.Time) {
	fresh := 0.0
	if s.n == 0 || s.n%s.every == s.at {
		for i := range s.held {
			s.held[i] = math.NaN()
		}
		s.Source.Read(s.held, now)
		fresh = 1
	}
	s.n++
	copy(row, s.held)
	row[len(s.held)] = fresh
}
