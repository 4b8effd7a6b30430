package outlier

import (
	"math"
	"slices"

	"capd.example/stats"
)

// report says what the terms are, each tested with all others in.
func (s *state) report() Report {
	r := Report{EveryPair: s.random && s.variance > 0, Rest: s.residuals(), Deleted: make([]float64, len(s.m.cells))}
	for i := range s.m.cells {
		r.Deleted[i] = math.NaN()
		if s.free[i] > undetermined {
			r.Deleted[i] = s.e[i] / s.free[i]
		}
	}
	for i, out := range s.out {
		if !out {
			continue
		}
		without := s.near(func(x *state) { x.out[i] = false })
		for _, c := range without.cellCandidates() {
			if c.at == i {
				r.Odd = append(r.Odd, Odd{Cell: i, Log: c.log, T: c.t, P: c.p * s.m.setting.Level})
				r.Deleted[i] = c.log
			}
		}
		r.Tests = append(r.Tests, without.tests(i)...)
	}
	r.Tests = append(r.Tests, s.tests(-1)...)
	slices.SortFunc(r.Tests, func(a, b Test) int { return a.Cell - b.Cell })
	r.Moves, r.Drivers, r.Pairs = s.movedPairs(), s.drivers(), s.pairEffects()
	return r
}

// determinedSpread is the standard error of an expectation, in those of a cell, above which
// the other cells do not determine it (a convention): where the cells of the pair are taken
// away no other may be left under the ceiling that they are filed under.
const determinedSpread = 3

// movedPairs lists the cells whose rates are those of another part.
func (s *state) movedPairs() (out []Moved) {
	for k, move := range s.moved {
		if move == nil {
			continue
		}
		x := Moved{Move: *move, P: s.gain[k]}
		for _, i := range s.m.pairs[k] {
			game := s.m.cells[i].Game
			if !s.solved[game] {
				continue
			}
			y, spread, _ := s.fit[game].Predict(s.m.c[i], s.m.g[i])
			log := s.m.cells[i].Log - math.Log(y)
			if !(y > 0) || !(spread <= determinedSpread) {
				log = math.NaN()
			}
			x.Cells, x.Log = append(x.Cells, i), append(x.Log, log)
		}
		out = append(out, x)
	}
	return out
}

func (s *state) drivers() (out []Driver) {
	for g, cards := range s.driven {
		if cards == nil || !s.solved[g] {
			continue
		}
		d := Driver{Game: g, Deviation: s.fit[g].D[0] - 1}
		for c := range cards {
			d.Cards = append(d.Cards, c)
		}
		slices.Sort(d.Cards)
		for _, i := range s.cells[g] {
			if cards[s.m.cells[i].Card] {
				d.Cells++
			}
		}
		out = append(out, d)
	}
	return out
}

func (s *state) pairEffects() (out []Effect) {
	if s.random && !(s.variance > 0) {
		return nil // no pair deviates after all
	}
	squares, df := s.spread()
	for j, k := range s.used {
		n := len(s.z[j].cells)
		if s.k == nil || n == 0 {
			continue
		}
		out = append(out, Effect{CPU: s.m.parts[k][0], Card: s.m.parts[k][1], Log: s.effect[k], SE: math.Sqrt(s.k.At(j, j) * squares / df), Cells: n})
	}
	return out
}

// tests lists what could be tested and how well, of one cell or, where that is below 0, of all.
func (s *state) tests(cell int) (out []Test) {
	var sizes []float64
	var df []float64
	for i := range s.m.cells {
		_, v, sd, ok := s.studentised(i)
		if !ok {
			continue
		}
		out = append(out, Test{Cell: i})
		df = append(df, v)
		sizes = append(sizes, math.Log1p(s.m.setting.Aim)*math.Sqrt(s.free[i])/sd)
	}
	for k, share := range shares(sizes, s.m.setting.Level) {
		share = evenPart/float64(len(sizes)) + (1-evenPart)*share
		critical := stats.TQuantile(1-s.m.setting.Level*share/2, df[k])
		out[k].Resolves = (critical + stats.TQuantile(0.95, df[k])) / sizes[k] * math.Log1p(s.m.setting.Aim)
	}
	if cell >= 0 {
		out = slices.DeleteFunc(out, func(x Test) bool { return x.Cell != cell })
	}
	return out
}
