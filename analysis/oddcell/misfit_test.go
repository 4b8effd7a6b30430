package oddcell_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/oddcell"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/stats"
)

// misfitWorld is a matrix of 5 processors, 6 cards, 2 games and 3 resolutions in three passes with
// 0.6 % noise, and what its rates do that the model does not know.
type misfitWorld struct {
	name   string
	driver float64 // what the processors' ceilings lose with every other card
	one    float64 // what one pair of parts loses in everything
	all    float64 // sd of what each pair gains
	makers bool    // what was detected names the makers of the cards, every other one the same
	plant  bool    // one cell is off by 6 %
}

// options tell what was detected of each card.
func (w misfitWorld) options() analysis.Options {
	o := analysis.Options{}
	if w.makers {
		o.Systems = map[string]record.System{}
		for j := range 6 {
			name := fmt.Sprintf("%s Arctis %d0", []string{"Nordwind", "Lumen"}[j%2], j+4)
			o.Systems[fmt.Sprint("with G", j)] = record.System{ID: fmt.Sprint("with G", j), Fields: []record.Field{{Name: record.FieldGraphicsName, Value: name}}}
		}
	}
	return o
}

func (w misfitWorld) matrix(r *rand.Rand) (all []record.Pass, planted string) {
	resolutions := []string{"1920x1080", "2560x1440", "3840x2160"}
	odd := [4]int{r.IntN(5), r.IntN(6), r.IntN(2), r.IntN(3)}
	pair := [2]int{r.IntN(5), r.IntN(6)}
	sign := []float64{0.94, 1.06}[r.IntN(2)]
	q := []float64{4 + 6*r.Float64(), 4 + 6*r.Float64()}
	for i, c := range []float64{96, 110, 126, 148, 172} {
		for j, g := range []float64{90, 112, 140, 172, 215, 265} {
			shift := w.all * r.NormFloat64()
			if w.one != 0 && pair == [2]int{i, j} {
				shift += math.Log1p(w.one)
			}
			for k := range 2 {
				for l, load := range []float64{1, 1.5, 2.4} {
					ceiling := c * (1 + 0.25*float64(k))
					if j%2 == 1 {
						ceiling *= 1 - w.driver
					}
					y, _ := stats.SoftMin(ceiling, g/load*(1+0.1*float64(k)), q[k])
					y *= math.Exp(shift)
					p := cell(fmt.Sprint("P", i), fmt.Sprint("G", j), fmt.Sprint("Game ", k), resolutions[l])
					if w.plant && odd == [4]int{i, j, k, l} {
						y *= sign
						planted = fmt.Sprintf("P%d / G%d / Game %d / terrace / %s / high", i, j, k, resolutions[l])
					}
					measured := passes(p, noisy(r, y, 0.006), noisy(r, y, 0.006), noisy(r, y, 0.006))
					for n := range measured {
						measured[n].System = fmt.Sprint("with G", j)
					}
					all = append(all, measured...)
				}
			}
		}
	}
	return all, planted
}

// Where the model is true a planted cell is found and hardly ever another; where a driver
// costs the processor 8 %, one pair loses 2 % or every pair is off by some, false cells are
// named in at most 5 of 100 matrices, and a planted one is found in at least 80 of 100 that
// have one kind of misfit.
func TestOddWhereTheModelDoesNotFit(t *testing.T) {
	n, found, all := testlab.Rounds(t, 2, 200), 0, 0
	for i, w := range []misfitWorld{{name: "true"}, {name: "true, makers known", makers: true}, {name: "driver", driver: 0.08}, {name: "driver, makers known", driver: 0.08, makers: true},
		{name: "one pair", one: -0.02}, {name: "all pairs", all: 0.02}} {
		t.Run(w.name, func(t *testing.T) { found += w.count(t, testlab.Rand(91, uint64(92+i)), n) })
		all += n
	}
	if float64(found) < 0.8*float64(all)-3*math.Sqrt(0.16*float64(all)) { // what a few matrices of each kind cannot tell
		t.Errorf("found in %d of %d", found, all)
	}
}

// count plays n matrices without and n with a planted cell and returns in how many it was found.
func (w misfitWorld) count(t *testing.T, r *rand.Rand, n int) (found int) {
	o := w.options()
	false0, falsePlanted, silent, expected, properties := 0, 0, 0, 0, 0
	for range n {
		all, _ := w.matrix(r)
		report := oddcell.Find(analysis.Cells(all, o), o)
		if len(report.Odd) > 0 {
			false0++
		}
		if report.Misfit.Expected {
			expected++
		}
		if len(report.Properties) > 0 {
			properties++
		}
		w.plant = true
		all, planted := w.matrix(r)
		w.plant = false
		report = oddcell.Find(analysis.Cells(all, o), o)
		hit, other := false, false
		for _, x := range report.Odd {
			hit, other = hit || x.Name() == planted, other || x.Name() != planted
		}
		if hit {
			found++
		}
		if other {
			falsePlanted++
		}
		if !hit && len(report.Odd) == 0 && !report.Misfit.Expected {
			silent++
		}
	}
	t.Logf("%-9s %d matrices: a false cell in %d, as expected %d, with properties %d; with a planted cell: found in %d, others named in %d, nothing named and said why %d",
		w.name, n, false0, expected, properties, found, falsePlanted, silent)
	slack := 3 * math.Sqrt(0.05*0.95*float64(n))
	if float64(false0) > 0.05*float64(n)+slack || float64(falsePlanted) > 0.05*float64(n)+slack {
		t.Errorf("%s: false cells in %d and %d of %d", w.name, false0, falsePlanted, n)
	}
	if float64(found) < 0.8*float64(n)-3*math.Sqrt(0.16*float64(n)) {
		t.Errorf("%s: found in %d of %d", w.name, found, n)
	}
	return found
}
