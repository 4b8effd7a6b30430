package sysinfo

import (
	"math"
	"time"
)

// turn says in which samples a source is read that is costly for what it tells: in every
// nth, at a place of its own, so that no sample carries many of them.
type turn struct{ every, at int }

// always is in every sample.
var always = turn{every: 1}

func (t turn) of(s source) source {
	if t.every <= 1 {
		return s
	}
	return &rareSource{source: s, turn: t, held: make([]float64, len(s.columns()))}
}

// colFresh is the last column of a rare source: 1 in its turns, 0 where the row repeats.
const colFresh = ".fresh"

// rareSource is read in its turns; in between its row is the last one. A rate stands for
// the time since the turn before: see [ring.turns], which gives it to those seconds.
type rareSource struct {
	source
	turn
	n    int
	held []float64
}

func (s *rareSource) columns() []column {
	return append(s.source.columns(), column{name: colFresh})
}

func (s *rareSource) read(row []float64, now time.Time) {
	fresh := 0.0
	if s.n == 0 || s.n%s.every == s.at {
		for i := range s.held {
			s.held[i] = math.NaN()
		}
		s.source.read(s.held, now)
		fresh = 1
	}
	s.n++
	copy(row, s.held)
	row[len(s.held)] = fresh
}
