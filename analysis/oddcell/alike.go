package oddcell

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/record"
)

// Alike is a guess at a mistake: a cell whose rates are those of the cell beside it, which
// differs in one factor, within what passes repeat to, although elsewhere these two levels of
// the factor give other rates.
type Alike struct {
	Factors    map[string]string `json:"factors"`    // the cell in doubt
	Factor     string            `json:"factor"`     // in which the other cell differs
	Like       string            `json:"like"`       // the other cell's level of it
	FPS        analysis.Number   `json:"avg_fps"`    // of the cell in doubt
	LikeFPS    analysis.Number   `json:"like_fps"`   // of the other
	Difference analysis.Number   `json:"difference"` // FPS / LikeFPS - 1
	Noise      analysis.Number   `json:"noise"`      // the most that counts as equal
	// Elsewhere is the difference that the two levels usually make; undefined where all cells
	// of the two are alike.
	Elsewhere analysis.Number `json:"elsewhere"`
	Cells     int             `json:"cells"` // of that level that are so
	Passes    []string        `json:"passes"`
	Reason    string          `json:"reason"`
	name      string
}

// Name names the cell.
func (a Alike) Name() string { return a.name }

// Conventions of the guess, found by simulation: see alike_test.go.
const (
	alikeLeast = 0.003 // a smaller difference is none
	alikeMost  = 0.015 // a larger one is one, however badly passes repeat
	alikeShift = 0.01  // what two sessions may differ by, where that is not known
	alikeLow1  = 0.08  // the same of 1% lows
	alikeClear = 0.04  // levels that differ by less elsewhere may be equal here
	alikeRoom  = 1.1   // how far the other part must allow more than the cells' rates
)

// findAlike looks for such cells. Cells that are equal because the part that both share
// limits them are none: it takes a cell of the same other part, game and preset that shows
// that this part allows more. Two cards whose cells are alike everywhere are told where this
// holds for two cells or more and none differs. Where a cell is like several, none is named,
// and none that is explained already by the rates of another part.
func findAlike(cells []analysis.Cell, explained []Odd, o analysis.Options) []Alike {
	var fit []int
	for i, c := range cells {
		if f := c.Figure(analysis.Average); f.N > 0 && f.Value() > 0 && !c.Capped() {
			fit = append(fit, i)
		}
	}
	found := map[int][]Alike{} // by each of the two cells
	cell := map[int]bool{}     // in doubt
	for _, factor := range o.Factors {
		if factor == record.TagGame || factor == record.TagScene {
			continue // their rates cross by chance
		}
		allows := roomOf(cells, fit, factor)
		for _, p := range pairsBy(cells, fit, factor) {
			for at, a := range p.guesses(cells, allows) {
				for _, i := range at {
					found[i] = append(found[i], a)
				}
				cell[at[0]] = true
			}
		}
	}
	out := []Alike{}
	for _, i := range slices.Sorted(maps.Keys(found)) {
		has := slices.ContainsFunc(explained, func(x Odd) bool { return x.name == cells[i].Name() })
		if cell[i] && len(found[i]) == 1 && !has {
			out = append(out, found[i][0])
		}
	}
	return out
}

// levelPair are the cells of two levels of a factor, side by side.
type levelPair struct {
	factor, a, b string
	at           [][2]int // indexes of cells
}

// pairsBy returns the pairs of levels of a factor. Levels of a setting are compared within
// one game: what a preset costs is the game's own.
func pairsBy(cells []analysis.Cell, fit []int, factor string) []levelPair {
	part := factor == record.TagProcessor || factor == record.TagGraphics
	type key struct{ a, b, game string }
	sets := map[key]*levelPair{}
	var order []key
	beside := map[string][]int{} // cells that differ in that factor alone
	for _, i := range fit {
		rest := maps.Clone(cells[i].Factors)
		delete(rest, factor)
		at := fmt.Sprintf("%q", rest)
		for _, j := range beside[at] {
			a, b := cells[i].Factors[factor], cells[j].Factors[factor]
			if a == "" || b == "" {
				continue
			}
			i, j := i, j
			if a > b {
				a, b, i, j = b, a, j, i
			}
			k := key{a, b, ""}
			if !part {
				k.game = cells[i].Factors[record.TagGame]
			}
			if sets[k] == nil {
				sets[k] = &levelPair{factor: factor, a: a, b: b}
				order = append(order, k)
			}
			sets[k].at = append(sets[k].at, [2]int{i, j})
		}
		beside[at] = append(beside[at], i)
	}
	var out []levelPair
	for _, k := range order {
		out = append(out, *sets[k])
	}
	return out
}

// guesses are those by the indexes of the cell in doubt and of the one that it is like.
func (p levelPair) guesses(cells []analysis.Cell, allows room) map[[2]int]Alike {
	var equal [][2]int
	var clear []float64
	near, between := 0, 0
	for _, at := range p.at {
		d, noise, same := compareAlike(cells[at[0]], cells[at[1]])
		switch {
		case !allows.more(cells[at[0]], cells[at[1]]):
		case same:
			equal = append(equal, at)
		case math.Abs(d) >= max(alikeClear, 3*noise):
			clear = append(clear, d)
		case math.Abs(d) <= 2*noise:
			near++
		default:
			between++
		}
	}
	all := len(clear) == 0 && between == 0 && len(equal) >= max(2, near) && p.factor == record.TagGraphics
	usual := 0.0
	if len(clear) > 0 {
		usual = middle(clear)
	}
	some := len(equal) > 0 && len(clear) >= 2 && len(clear) > len(equal)+near+between
	for _, d := range clear {
		some = some && d*usual > 0
	}
	if !all && !some {
		return nil
	}
	out := map[[2]int]Alike{}
	second := p.wrongIsSecond(cells, equal)
	for _, at := range equal {
		wrong, like := at[0], at[1]
		if second {
			wrong, like = like, wrong
		}
		out[[2]int{wrong, like}] = p.alike(cells[wrong], cells[like], usual, all, len(equal))
	}
	return out
}

// compareAlike returns the difference of the logarithms of two cells' rates, what counts as
// equal, and whether they are, in both figures.
func compareAlike(a, b analysis.Cell) (d, noise float64, same bool) {
	x, y := a.Figure(analysis.Average), b.Figure(analysis.Average)
	d = math.Log(x.Value() / y.Value())
	noise = math.Hypot(halfWidth(x), halfWidth(y))
	if x.Covers != variance.CoversSessions || y.Covers != variance.CoversSessions {
		noise = math.Hypot(noise, alikeShift)
	}
	noise = min(alikeMost, max(alikeLeast, noise))
	low := 0.0
	if l, m := a.Figure(analysis.Low1), b.Figure(analysis.Low1); l.Value() > 0 && m.Value() > 0 {
		low = math.Log(l.Value() / m.Value())
	}
	return d, noise, math.Abs(d) <= noise && math.Abs(low) <= alikeLow1
}

// halfWidth is that of the interval of a logarithm; alikeMost where it is not known.
func halfWidth(f analysis.Figure) float64 {
	if lo, hi := float64(f.CILow), float64(f.CIHigh); lo > 0 && hi >= lo {
		return math.Log(hi/lo) / 2
	}
	return alikeMost
}

// room is the highest rate of the cells that share what the two cells of a pair share and that
// may limit them.
type room struct {
	same []string
	most map[string]float64
}

// roomOf is that of pairs that differ in a factor: cells with the same processor in the same game
// and preset; of pairs of processors those with the same card and settings.
func roomOf(cells []analysis.Cell, fit []int, factor string) room {
	same := []string{record.TagProcessor, record.TagGame, record.TagScene, record.TagPreset}
	if factor == record.TagProcessor {
		same = []string{record.TagGraphics, record.TagGame, record.TagScene, record.TagPreset, record.TagResolution}
	}
	r := room{analysis.Without(same, factor), map[string]float64{}}
	for _, i := range fit {
		key := analysis.FactorKey(cells[i].Factors, r.same)
		r.most[key] = max(r.most[key], cells[i].Figure(analysis.Average).Value())
	}
	return r
}

// more reports whether what two cells share allows more than their rates, so that the levels would
// show.
func (r room) more(a, b analysis.Cell) bool {
	rate := max(a.Figure(analysis.Average).Value(), b.Figure(analysis.Average).Value())
	return r.most[analysis.FactorKey(a.Factors, r.same)] >= alikeRoom*rate
}

// wrongIsSecond tells which cells of the pairs are in doubt, one mistake behind all: those
// whose ratios to cells of other levels are unusual, else those that were measured later.
func (p levelPair) wrongIsSecond(cells []analysis.Cell, pairs [][2]int) bool {
	off := [2]float64{p.unusual(cells, pairs, 0), p.unusual(cells, pairs, 1)}
	if off[0] > 2*off[1] || off[1] > 2*off[0] {
		return off[1] > off[0]
	}
	later := 0
	for _, at := range pairs {
		later += began(cells[at[1]]).Compare(began(cells[at[0]]))
	}
	return later > 0
}

// unusual is how far the ratios of the cells on one side of pairs to those of third levels
// lie from where they are in other cells, in the middle.
func (p levelPair) unusual(cells []analysis.Cell, pairs [][2]int, side int) float64 {
	level, in := cells[pairs[0][side]].Factors[p.factor], map[int]bool{}
	for _, at := range pairs {
		in[at[side]] = true
	}
	third := map[string]map[string]float64{} // rest of the factors, level
	rest := func(c analysis.Cell) string {
		f := maps.Clone(c.Factors)
		delete(f, p.factor)
		return fmt.Sprintf("%q", f)
	}
	for _, c := range cells {
		if of := c.Factors[p.factor]; of != "" && of != p.a && of != p.b && c.Figure(analysis.Average).Value() > 0 {
			if third[rest(c)] == nil {
				third[rest(c)] = map[string]float64{}
			}
			third[rest(c)][of] = math.Log(c.Figure(analysis.Average).Value())
		}
	}
	here, elsewhere := map[string][]float64{}, map[string][]float64{}
	for i, c := range cells {
		if c.Factors[p.factor] != level || c.Figure(analysis.Average).Value() <= 0 {
			continue
		}
		to := elsewhere
		if in[i] {
			to = here
		}
		for of, rate := range third[rest(c)] {
			to[of] = append(to[of], math.Log(c.Figure(analysis.Average).Value())-rate)
		}
	}
	var devs []float64
	for of, list := range here {
		if len(elsewhere[of]) > 0 {
			devs = append(devs, math.Abs(middle(list)-middle(elsewhere[of])))
		}
	}
	if len(devs) == 0 {
		return 0
	}
	return middle(devs)
}

// began is when the first pass of the cell started.
func began(c analysis.Cell) time.Time {
	first := c.Counted()[0].StartedAt
	for _, u := range c.Counted() {
		if u.StartedAt.Before(first) {
			first = u.StartedAt
		}
	}
	return first
}

func (p levelPair) alike(wrong, like analysis.Cell, usual float64, all bool, cells int) Alike {
	_, noise, _ := compareAlike(wrong, like)
	x, y := wrong.Figure(analysis.Average).Value(), like.Figure(analysis.Average).Value()
	a := Alike{
		Factors: wrong.Factors, Factor: p.factor, Like: like.Factors[p.factor],
		FPS: analysis.Number(x), LikeFPS: analysis.Number(y), Difference: analysis.Number(x/y - 1),
		Noise: analysis.Number(math.Expm1(noise)), Elsewhere: analysis.Undefined,
		Cells: cells, Passes: wrong.IDs(), name: wrong.Name(),
	}
	where := ""
	if all {
		where = fmt.Sprintf(", as in all %d cells that can tell", cells)
	} else {
		if wrong.Factors[p.factor] == p.b {
			usual = -usual
		}
		a.Elsewhere = analysis.Number(math.Expm1(usual))
		where = fmt.Sprintf(" (%.1f FPS), elsewhere %+.0f %%", y, 100*float64(a.Elsewhere))
	}
	a.Reason = fmt.Sprintf("the same rate as %s's cell%s: %s", a.Like, where, analysis.Question(p.factor, a.Like))
	return a
}

func middle(x []float64) float64 { return float64(analysis.Median(x)) }
