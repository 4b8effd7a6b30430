package sysinfo

import "time"

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

// rareSource is read in its turns; in between its row is the last one, so that a rate
// stands for the whole time that it was counted over.
type rareSource struct {
	source
	turn
	n    int
	held []float64
}

func (s *rareSource) read(row []float64, now time.Time) {
	if s.n == 0 || s.n%s.every == s.at {
		for i := range s.held {
			s.held[i] = nan
		}
		s.source.read(s.held, now)
	}
	s.n++
	copy(row, s.held)
}
