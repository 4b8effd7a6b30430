package outlier

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// move returns the state in which the cells of one pair are taken for those of another part,
// or those of two pairs for each other's, where that explains more than a term of its own
// would, though it has nothing to fit; nil where it does not.
func (s *state) move(best candidate, certain bool) *state {
	suspects := s.suspects()
	if len(suspects) == 0 {
		return nil
	}
	before, _ := s.squares(s)
	term := before
	if certain {
		term, _ = s.near(best.add).squares(s)
	}
	tries := float64(len(s.m.pairs) * (s.m.nCPU + s.m.nCard))
	var found *state
	least := math.Inf(1)
	for _, moves := range s.moves(suspects) {
		x := s.with(func(x *state) {
			for k, to := range moves {
				x.moved[k] = &to
				delete(x.fixed, k)
				for _, i := range s.m.pairs[k] {
					x.out[i] = false
				}
			}
		})
		after, df := x.squares(s)
		if !(after < before) || !(df >= 1) || before-after < 0.9*(before-term) {
			continue
		}
		p := distuv.F{D1: 1, D2: df}.Survival((before-after)/math.Max(after/df, 1e-12)) * tries
		if !(p < s.m.setting.Rich) {
			continue
		}
		for k := range moves {
			x.gain[k] = p
		}
		if after < least {
			found, least = x, after
		}
	}
	return found
}

// moves lists what the cells of suspects may be instead: of each pair alone what comes
// nearest, and each two that share a part for each other.
func (s *state) moves(suspects []int) (out []map[int]Move) {
	for n, k := range suspects {
		without := s.without(k)
		nearest, left, ok := Move{}, math.Inf(1), false
		for _, to := range s.m.others(k) {
			if sum, fits := without.comesNear(k, to); fits && sum < left {
				nearest, left, ok = to, sum, true
			}
		}
		if ok {
			out = append(out, map[int]Move{k: nearest})
		}
		for _, other := range suspects[n+1:] {
			there, back, share := s.m.exchange(k, other)
			if !share {
				continue
			}
			without := s.without(k, other)
			_, fits := without.comesNear(k, there)
			_, too := without.comesNear(other, back)
			if fits && too {
				out = append(out, map[int]Move{k: there, other: back})
			}
		}
	}
	return out
}

// without leaves out the cells of pairs.
func (s *state) without(pairs ...int) *state {
	return s.near(func(x *state) {
		for _, k := range pairs {
			for _, i := range s.m.pairs[k] {
				x.out[i] = true
			}
			delete(x.fixed, k)
		}
	})
}

// comesNear reports whether a pair's cells are far from what the others make expect of it, and
// near to what they make expect of another, and returns the sum of squares that is left.
func (s *state) comesNear(pair int, to Move) (left float64, ok bool) {
	filed, n := s.error(pair, nil)
	left, of := s.error(pair, &to)
	return left, of == n && n >= 2 && filed > float64(n)*square(moveSize) && left < moveGain*filed
}

// exchange returns the moves by which two pairs that share one part are each other's.
func (m *Matrix) exchange(a, b int) (there, back Move, ok bool) {
	p, q := m.parts[a], m.parts[b]
	there, back = Move{CPU: p[0], Card: p[1]}, Move{CPU: q[0], Card: q[1]}
	switch {
	case p[0] == q[0]:
		there.Instead, back.Instead = q[1], p[1]
	case p[1] == q[1]:
		there.Processor, back.Processor = true, true
		there.Instead, back.Instead = q[0], p[0]
	default:
		return there, back, false
	}
	return there, back, true
}

// suspects lists the pairs that most is left of, of which several cells are off.
func (s *state) suspects() []int {
	sum := make([]float64, len(s.m.pairs))
	var out []int
	for k, cells := range s.m.pairs {
		off := 0
		for _, i := range cells {
			e := s.e[i]
			if s.out[i] {
				e = s.m.cells[i].Log - s.expected(i)
			}
			if sum[k] += e * e; math.Abs(e) > moveSize/3 {
				off++
			}
		}
		if s.moved[k] == nil && off > 1 {
			out = append(out, k)
		}
	}
	slices.SortFunc(out, func(a, b int) int { return cmp.Compare(sum[b], sum[a]) })
	return out[:min(moveTries, len(out))]
}

// squares is the sum of squares of all games in units of another state's scale, with the
// degrees of freedom.
func (s *state) squares(of *state) (sum, df float64) {
	for g := range s.m.games {
		if s.solved[g] && of.solved[g] {
			sum, df = sum+s.rss[g]/square(of.scale[g]), df+s.df[g]
		}
	}
	return sum, df
}

// error is the sum of squares of a pair's cells about what the others make expect of it, or
// of what it may be instead, and the number of cells of which they do.
func (s *state) error(pair int, to *Move) (sum float64, n int) {
	for _, i := range s.m.pairs[pair] {
		game := s.m.cells[i].Game
		if c, g, ok := s.m.place(i, to); ok && s.solved[game] {
			y, _, _ := s.fit[game].Predict(c, g)
			sum, n = sum+square(s.m.cells[i].Log-math.Log(y)), n+1
		}
	}
	return sum, n
}

// expected is what the others make expect of a cell.
func (s *state) expected(i int) float64 {
	game := s.m.cells[i].Game
	c, g, ok := s.m.place(i, s.moved[s.m.pair[i]])
	if !ok || !s.solved[game] {
		return s.m.cells[i].Log
	}
	y, _, _ := s.fit[game].Predict(c, g)
	return math.Log(y) + s.effect[s.m.pair[i]]
}

// others lists what the cells of a pair may be instead: those of another card with this
// processor, or of another processor with this card.
func (m *Matrix) others(pair int) (out []Move) {
	cpu, card := m.parts[pair][0], m.parts[pair][1]
	for k := range m.nCard {
		if k != card {
			out = append(out, Move{CPU: cpu, Card: card, Instead: k})
		}
	}
	for k := range m.nCPU {
		if k != cpu {
			out = append(out, Move{CPU: cpu, Card: card, Processor: true, Instead: k})
		}
	}
	return out
}
