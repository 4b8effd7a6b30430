package oddcell_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/oddcell"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/stats"
)

// guessing is an invented matrix for guesses: parts, games with two presets, resolutions.
type guessing struct {
	processors int
	r          *rand.Rand
	heavy      [3]float64 // what a game asks of the processor
	light      [3]float64 // and of the card
	preset     [3]float64 // what the higher preset costs
	turn       [4][3]float64
}

func newGuessing(r *rand.Rand, processors int) guessing {
	g := guessing{processors: processors, r: r}
	for i := range g.heavy {
		g.heavy[i], g.light[i], g.preset[i] = 0.8+0.5*r.Float64(), 0.75+0.6*r.Float64(), 1.08+0.35*r.Float64()
		for j := range g.turn { // a card suits a game better than another
			g.turn[j][i] = math.Exp(0.03 * r.NormFloat64())
		}
	}
	return g
}

func (g guessing) rate(c, card, game, resolution, preset int) float64 {
	load := []float64{1, 1.5, 2.5}[resolution]
	if preset == 1 {
		load *= g.preset[game]
	}
	y, _ := stats.SoftMin([]float64{96, 118, 149}[c]*g.heavy[game], []float64{84, 109, 138, 181}[card]*g.light[game]*g.turn[card][game]/load, 8)
	return y
}

var guessGames = []string{"Copper Drift", "Salt Flats", "Glass Terrace"}

// play measures the matrix; swap says which combination is measured in place of another.
func (g guessing) play(swap func(c, card, game, resolution, preset int) (int, int, int, int, int)) []analysis.Cell {
	var all []record.Pass
	for c := range g.processors {
		for card := range 4 {
			shift := 0.004 * g.r.NormFloat64() // of the session
			for game := range 3 {
				for resolution := range 3 {
					for preset := range 2 {
						y := g.rate(swap(c, card, game, resolution, preset)) * math.Exp(shift)
						of := cell([]string{"P6", "P8", "P12"}[c], []string{"Lumen 60", "Lumen 70", "Lumen 80", "Umbra 9"}[card], guessGames[game], []string{"1920x1080", "2560x1440", "3840x2160"}[resolution])
						of["preset"] = []string{"high", "ultra"}[preset]
						for _, p := range passes(of, noisy(g.r, y, 0.003), noisy(g.r, y, 0.003), noisy(g.r, y, 0.003)) {
							p.StartedAt = p.StartedAt.Add(time.Duration(len(all)) * 3 * time.Minute)
							all = append(all, p)
						}
					}
				}
			}
		}
	}
	return analysis.Cells(all, analysis.Options{})
}

// TestGuesses measures how often the guess at a mistake is right, wrong or not given. Of the
// logs of another game nothing is said: rates of games cross by chance.
func TestGuesses(t *testing.T) {
	n := testlab.Rounds(t, 3, 200)
	type combination = [5]int
	as := func(x combination) (int, int, int, int, int) { return x[0], x[1], x[2], x[3], x[4] }
	for _, c := range []struct {
		name       string
		processors int
		factor     string
		level      string
		mistake    func(x combination) combination // what was measured in place of x
		least      float64                         // of the campaigns with a right guess
	}{
		{"a clean day, one processor", 1, "", "", func(x combination) combination { return x }, 0},
		{"a clean day, three processors", 3, "", "", func(x combination) combination { return x }, 0},
		{"one card in place of another all day, one processor", 1, "gpu", "Lumen 60", func(x combination) combination {
			if x[1] == 2 {
				x[1] = 0
			}
			return x
		}, 0.9},
		{"one card in place of another for one of three processors", 3, "gpu", "Lumen 60", func(x combination) combination {
			if x[1] == 2 && x[0] == 1 {
				x[1] = 0
			}
			return x
		}, 0.9},
		{"one card in place of another for one game, one processor", 1, "gpu", "Lumen 70", func(x combination) combination {
			if x[1] == 2 && x[2] == 1 {
				x[1] = 1
			}
			return x
		}, 0.9},
		{"the logs of a cell in another game's folder", 1, "game", guessGames[0], func(x combination) combination {
			if x == (combination{0, 2, 1, 2, 1}) {
				x[2] = 0
			}
			return x
		}, 0},
		{"a preset left as it was, in one cell", 1, "preset", "high", func(x combination) combination {
			if x == (combination{0, 2, 1, 2, 1}) {
				x[4] = 0
			}
			return x
		}, 0.5},
		{"a resolution left as it was, in one cell", 1, "resolution", "2560x1440", func(x combination) combination {
			if x == (combination{0, 2, 1, 2, 1}) {
				x[3] = 1
			}
			return x
		}, 0.9},
	} {
		r := testlab.Rand(14, 4)
		right, wrong := 0, 0 // campaigns with a right guess, with a wrong one
		for range n {
			got := oddcell.FindAlike(newGuessing(r, c.processors).play(func(a, b, d, e, f int) (int, int, int, int, int) { return as(c.mistake(combination{a, b, d, e, f})) }), analysis.Options{})
			is := func(a oddcell.Alike) bool { return a.Factor == c.factor && a.Like == c.level }
			if slices.ContainsFunc(got, is) {
				right++
			}
			if slices.ContainsFunc(got, func(a oddcell.Alike) bool { return !is(a) }) {
				wrong++
			}
		}
		t.Logf("%s: of %d campaigns right %d, wrong %d", c.name, n, right, wrong)
		slack := 3 * 0.3 * sqrt(n)
		if float64(right) < c.least*float64(n)-slack || float64(wrong) > 0.05*float64(n)+3*0.218*sqrt(n) {
			t.Errorf("%s: of %d campaigns right %d, wrong %d", c.name, n, right, wrong)
		}
	}
}

// What the search explains by the rates of another part is not guessed once more; with one
// processor, where no search can tell, the guess stands alone.
func TestGuessesBesideTheSearch(t *testing.T) {
	for _, c := range []struct {
		processors  int
		parts, like bool
	}{{3, true, false}, {1, false, true}} {
		cells := newGuessing(testlab.Rand(14, 5), c.processors).play(func(i, card, game, resolution, preset int) (int, int, int, int, int) {
			if card == 2 && (i == 1 || c.processors == 1) {
				card = 0
			}
			return i, card, game, resolution, preset
		})
		r := oddcell.Find(cells, analysis.Options{})
		named := map[string]bool{}
		for _, x := range r.Odd {
			if x.Kind == oddcell.OddPart {
				named[x.Name()] = true
			}
		}
		for _, x := range r.Alike {
			if named[x.Name()] {
				t.Errorf("%d processors: %s is named twice: %s", c.processors, x.Name(), x.Reason)
			}
		}
		if len(named) > 0 != c.parts || len(r.Alike) > 0 != c.like {
			t.Errorf("%d processors: %d cells with another part's rates, %d guesses", c.processors, len(named), len(r.Alike))
		}
	}
}
