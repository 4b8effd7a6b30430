package oddcell

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/outlier"
	"capd.example/record"
)

// oddTable is the matrix as the search for odd cells has it, with what its numbers stand for.
type oddTable struct {
	models                 []*analysis.Model
	cells                  []analysis.Cell
	at                     []int // index of the cell of each place in the search
	of                     []outlier.Cell
	cpu, card              []string
	scene, setting, makers map[string]int
	settings               outlier.Settings
}

// newTable numbers what the models hold.
func newTable(models []*analysis.Model, cells []analysis.Cell, o analysis.Options) *oddTable {
	t := &oddTable{models: models, cells: cells, scene: map[string]int{}, setting: map[string]int{}, makers: map[string]int{},
		settings: outlier.Settings{Level: residualLevel, Rich: richLevel, Least: oddSize, Aim: weakSize}}
	scenes := analysis.Without(analysis.Without(o.Factors, analysis.CardOnly...), record.TagProcessor)
	settings := analysis.Without(o.Factors, record.TagProcessor, record.TagGraphics)
	maker := map[int]string{}
	for game, m := range models {
		for _, i := range m.Of {
			c := cells[i]
			f := c.Figure(analysis.Average)
			x := outlier.Cell{Game: game, CPU: numberOf(&t.cpu, c.Factors[record.TagProcessor]), Card: numberOf(&t.card, c.Factors[record.TagGraphics]),
				Scene: index(t.scene, analysis.FactorKey(c.Factors, scenes)), Setting: index(t.setting, analysis.FactorKey(c.Factors, settings)), Log: f.Log()}
			if sd := float64(f.Spread.SD); sd > 0 {
				x.Repeat = outlier.Repeat{SD: sd / math.Sqrt(float64(f.N)), DF: float64(f.Spread.DF), Pooled: f.Spread.Pooled}
			}
			if k := makerOf(c, o); k != "" {
				maker[x.Card] = k
			}
			t.at, t.of = append(t.at, i), append(t.of, x)
		}
	}
	if len(maker) == len(t.card) {
		for card := range t.card {
			t.settings.Makers = append(t.settings.Makers, index(t.makers, maker[card]))
		}
	}
	return t
}

func numberOf(list *[]string, value string) int {
	i := slices.Index(*list, value)
	if i < 0 {
		i = len(*list)
		*list = append(*list, value)
	}
	return i
}

func index(of map[string]int, key string) int {
	i, seen := of[key]
	if !seen {
		i = len(of)
		of[key] = i
	}
	return i
}

func (t *oddTable) search() outlier.Report { return outlier.New(t.of, t.settings).Search() }

func (t *oddTable) cell(place int) analysis.Cell { return t.cells[t.at[place]] }

// limits notes what could be tested and how well.
func (r *Report) limits(t *oddTable, found outlier.Report) {
	tested := map[int]bool{}
	games := map[int]bool{}
	r.Tested = len(found.Tests)
	for _, x := range found.Tests {
		tested[x.Cell], games[t.of[x.Cell].Game] = true, true
		if x.Resolves > math.Log1p(weakSize) {
			r.Weak = append(r.Weak, Weak{t.cell(x.Cell).Name(), analysis.Number(math.Expm1(x.Resolves))})
		}
	}
	for place := range t.of {
		if !tested[place] {
			r.Untestable = append(r.Untestable, t.cell(place).Name())
		}
	}
	for game, m := range t.models {
		if !games[game] {
			r.Outside = append(r.Outside, tooSmall(m))
		}
	}
}

// odd names the cells that the others do not explain.
func (t *oddTable) odd(found outlier.Report) (out []Odd) {
	for _, f := range found.Odd {
		c := t.cell(f.Cell)
		x := newOdd(c, OddResidual, math.Min(1, f.P))
		x.deviates(c, f.Log)
		x.Reason = fmt.Sprintf("%+.1f %% from the %.1f FPS that the other cells make expect, %.1f standard errors", 100*math.Expm1(f.Log), float64(x.Expected), math.Abs(f.T))
		out = append(out, x)
	}
	return out
}

func (x *Odd) deviates(c analysis.Cell, log float64) {
	x.Deviation, x.Expected = analysis.Number(math.Expm1(log)), analysis.Number(math.Exp(c.Figure(analysis.Average).Log()-log))
}

// moved names the cells whose rates are those of another part.
func (t *oddTable) moved(found outlier.Report) (out []Odd) {
	for _, m := range found.Moves {
		part, filed := t.card, t.card[m.Card]
		if m.Processor {
			part, filed = t.cpu, t.cpu[m.CPU]
		}
		for k, place := range m.Cells {
			c := t.cell(place)
			x := newOdd(c, OddPart, math.Min(1, m.P))
			if log := m.Log[k]; math.IsNaN(log) {
				x.Deviation, x.Expected = analysis.Undefined, analysis.Undefined
			} else {
				x.deviates(c, log)
				x.Reason = fmt.Sprintf("%+.1f %% from the %.1f FPS that the other cells make expect; ", 100*math.Expm1(log), float64(x.Expected))
			}
			x.Reason += fmt.Sprintf("%s with %s is, in all %s, as the other cells make expect with %s in place of %s", t.cpu[m.CPU], t.card[m.Card], record.Count(len(m.Cells), "cell"), part[m.Instead], filed)
			x.Advice = "look which part was in: capctl tag mends the passes of a wrong one; otherwise measure these cells again"
			out = append(out, x)
		}
	}
	return out
}

// orderMisfits is how far each cell is from what the others make expect, infinite where it is
// named already.
func (t *oddTable) orderMisfits(found outlier.Report, named ...[]Odd) map[string]float64 {
	out := map[string]float64{}
	for place, d := range found.Deleted {
		if !math.IsNaN(d) {
			out[t.cell(place).Name()] = math.Abs(d)
		}
	}
	for _, odd := range named {
		for _, x := range odd {
			out[x.name] = math.Inf(1)
		}
	}
	return out
}

// misfit says whether the matrix is as the model expects with what was found; not so where
// every pair deviates by some.
func (t *oddTable) misfit(found outlier.Report) Misfit {
	if found.EveryPair {
		x := lackOfFit(found.Plain, t.models, t.cells)
		x.Expected = false
		return x
	}
	return lackOfFit(found.Rest, t.models, t.cells)
}

// properties lists what drivers do, and the pairs that deviate clearly, the farthest first.
func (t *oddTable) properties(found outlier.Report) (out []Property) {
	for _, d := range found.Drivers {
		p := Property{Game: t.models[d.Game].Game, Deviation: analysis.Number(d.Deviation), Cells: d.Cells}
		for _, c := range d.Cards {
			p.Cards = append(p.Cards, t.card[c])
		}
		slices.SortFunc(p.Cards, analysis.Naturally)
		p.Text = fmt.Sprintf("%s: with %s the processors' ceilings are %+.1f %%, in all %d cells with them: a cost of their driver, say, and no fault of a cell",
			cmp.Or(p.Game, "no named game"), strings.Join(p.Cards, ", "), 100*d.Deviation, d.Cells)
		out = append(out, p)
	}
	drivers := len(out)
	for _, e := range found.Pairs {
		if found.EveryPair && (e.Cells < 3 || math.Abs(e.Log) <= oddSize/2 || math.Abs(e.Log) <= 4*e.SE) {
			continue
		}
		cpu, card := t.cpu[e.CPU], t.card[e.Card]
		out = append(out, Property{Processor: cpu, Cards: []string{card}, Deviation: analysis.Number(math.Expm1(e.Log)), Cells: e.Cells,
			Text: fmt.Sprintf("%s with %s: %+.1f %% in all of their %d cells: a property of this pair, or of the session in which it was measured, and no fault of a cell", cpu, card, 100*math.Expm1(e.Log), e.Cells)})
	}
	sort.SliceStable(out[drivers:], func(i, j int) bool {
		a, b := out[drivers+i], out[drivers+j]
		if x, y := math.Abs(float64(a.Deviation)), math.Abs(float64(b.Deviation)); x != y {
			return x > y
		}
		return a.Text < b.Text
	})
	return out
}
