// Package outlier finds what in a matrix of rates a soft minimum of two ceilings does not
// explain, and what explains it: single cells, pairs of parts that deviate in all of their
// cells, drivers that change the ceilings of processors, and cells whose rates are those of
// another part.
//
// It is a forward search with backward elimination over terms of all kinds at once. In each
// round every term that is not in the model yet is tested with all that are, and the one
// with the greatest t is taken in; then each term is tested again with the others, and goes
// where they explain it. So a pair of parts does not make its cells stand out one by one, a
// single cell does not make its pair, nor its smear over the ceilings a neighbour
// (masking and swamping; Hadi and Simonoff, Journal of the American Statistical Association
// 88, 1264, 1993, from memory). Where every pair deviates by some, the pairs are random
// effects with a variance estimated by restricted maximum likelihood (Patterson and Thompson,
// Biometrika 58, 545, 1971, from memory), and cells are held against what is left.
package outlier

import (
	"math"

	"capd.example/stats"
)

// Cell is one rate of the matrix. All numbers name things and start at 0.
type Cell struct {
	Game           int
	CPU, Card      int
	Scene, Setting int     // what else makes a processor's ceiling, and a card's, another
	Log            float64 // ln rate
	Repeat         Repeat
}

// Repeat is how well the mean of a cell's passes repeats.
type Repeat struct {
	SD     float64 // of ln rate; 0 where nothing is known
	DF     float64
	Pooled bool // SD is from other cells too
}

// Settings are the levels of the search.
type Settings struct {
	Level float64 // the chance of naming any cell in a matrix without an odd one
	Rich  float64 // the chance of any term of another kind there
	Least float64 // the least relative deviation that is worth a word
	Aim   float64 // the relative deviation that should be found
	// Makers numbers who drives each card; nil where that is not known of all cards.
	Makers []int
}

// Matrix is a set of cells with the numbers of their ceilings.
type Matrix struct {
	cells   []Cell
	games   [][]int // indexes of the cells of each game
	c, g    []int   // ceilings of each cell, numbered within its game
	nc, ng  []int   // ceilings of each game
	at      map[ceiling]int
	pair    []int // pair of parts of each cell
	pairs   [][]int
	parts   [][2]int // processor and card of each pair
	nCPU    int
	nCard   int
	setting Settings
}

type ceiling struct {
	game       int
	card       bool
	part, with int
}

// New numbers the ceilings and pairs of cells.
func New(cells []Cell, s Settings) *Matrix {
	m := &Matrix{cells: cells, at: map[ceiling]int{}, setting: s, c: make([]int, len(cells)), g: make([]int, len(cells)), pair: make([]int, len(cells))}
	pairs := map[[2]int]int{}
	for i, x := range cells {
		for x.Game >= len(m.games) {
			m.games, m.nc, m.ng = append(m.games, nil), append(m.nc, 0), append(m.ng, 0)
		}
		m.games[x.Game] = append(m.games[x.Game], i)
		m.c[i] = m.number(ceiling{x.Game, false, x.CPU, x.Scene}, &m.nc[x.Game])
		m.g[i] = m.number(ceiling{x.Game, true, x.Card, x.Setting}, &m.ng[x.Game])
		k, seen := pairs[[2]int{x.CPU, x.Card}]
		if !seen {
			k = len(m.pairs)
			pairs[[2]int{x.CPU, x.Card}] = k
			m.pairs, m.parts = append(m.pairs, nil), append(m.parts, [2]int{x.CPU, x.Card})
		}
		m.pair[i], m.pairs[k] = k, append(m.pairs[k], i)
		m.nCPU, m.nCard = max(m.nCPU, x.CPU+1), max(m.nCard, x.Card+1)
	}
	return m
}

func (m *Matrix) number(of ceiling, count *int) int {
	k, seen := m.at[of]
	if !seen {
		k = *count
		m.at[of] = k
		*count++
	}
	return k
}

// Move says that the rates of a pair's cells are those of another part.
type Move struct {
	CPU, Card int // as the cells are filed
	Processor bool
	Instead   int // the processor or the card whose rates they are
}

// Moved is a move that was found, with the cells of the pair.
type Moved struct {
	Move
	P     float64 // of the gain, adjusted for all moves
	Cells []int
	Log   []float64 // of each cell ln(measured / expected as it is filed), NaN where no other cell tells what to expect
}

// place returns the ceilings of a cell, with its pair filed as a move says. ok is false
// where the other part was not measured in the cell's settings.
func (m *Matrix) place(i int, moved *Move) (c, g int, ok bool) {
	c, g, ok = m.c[i], m.g[i], true
	x := m.cells[i]
	switch {
	case moved == nil:
	case moved.Processor:
		c, ok = m.at[ceiling{x.Game, false, moved.Instead, x.Scene}]
	default:
		g, ok = m.at[ceiling{x.Game, true, moved.Instead, x.Setting}]
	}
	return c, g, ok
}

// Driver is a factor of the processors' ceilings with some of the cards of a game.
type Driver struct {
	Game      int
	Cards     []int
	Deviation float64 // relative
	Cells     int
}

// Effect is what a pair deviates by in all of its cells.
type Effect struct {
	CPU, Card int
	Log       float64
	SE        float64
	Cells     int
}

// Odd is a cell that the others do not explain.
type Odd struct {
	Cell int
	Log  float64 // ln(measured / expected)
	T    float64 // standard errors
	P    float64 // adjusted for all cells
}

// Test is how well one cell could be tested.
type Test struct {
	Cell     int
	Resolves float64 // the deviation of ln rate that is found with 95 % probability
}

// Report is what the search found.
type Report struct {
	Odd     []Odd // in the order in which they were found
	Moves   []Moved
	Drivers []Driver
	Pairs   []Effect
	// EveryPair says that the pairs of the matrix deviate by some, all of them.
	EveryPair bool
	Tests     []Test // of every cell that the others determine
	// Plain and Rest are the residuals of the soft minimum alone and with all that was found.
	Plain, Rest Residuals
	// Deleted is ln(measured / expected from the others) of each cell; NaN where they do not tell.
	Deleted []float64
}

// Residuals are a sum of squares of ln rate with its degrees of freedom.
type Residuals struct{ RSS, DF float64 }

// undetermined is the share of a deviation that a cell keeps as its residual up to which the
// other cells do not tell what to expect of it (a convention).
const undetermined = 0.1

func square(x float64) float64 { return x * x }

// points returns the points of a game's cells that are in the fit, and their cells.
func (s *state) points(game int) (p []stats.SoftMinPoint, cells []int) {
	for _, i := range s.m.games[game] {
		if s.out[i] {
			continue
		}
		c, g, ok := s.m.place(i, s.moved[s.m.pair[i]])
		if !ok {
			continue // the part that it is taken for has no ceiling there
		}
		v := stats.SoftMinPoint{C: c, G: g, Y: math.Exp(s.m.cells[i].Log - s.effect[s.m.pair[i]])}
		if s.driven[game][s.m.cells[i].Card] {
			v.D = 1
		}
		p, cells = append(p, v), append(cells, i)
	}
	return p, cells
}
