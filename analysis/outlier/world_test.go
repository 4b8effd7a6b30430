package outlier_test

import (
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"capd.example/analysis/outlier"
	"capd.example/internal/testlab"
	"capd.example/stats"
)

// world is a matrix of means of three passes, and what its rates do that a soft minimum does
// not know.
type world struct {
	name               string
	cpus, cards, games int
	noise              float64 // of a pass
	driver             float64 // what the processors' ceilings lose with every other card
	one                float64 // what one pair of parts gains in everything
	all                float64 // sd of what each pair gains
	makers             bool    // every other card is of the same maker
	plant              float64 // what one cell is off by, up or down
	exchange           bool    // with one processor the rates of two cards are exchanged
}

var levels = outlier.Settings{Level: 0.009, Rich: 0.001, Least: 0.01, Aim: 0.04}

// matrix returns the cells and the planted one, -1 for none.
func (w world) matrix(r *rand.Rand) (cells []outlier.Cell, s outlier.Settings, planted int, moved [2]outlier.Move) {
	s = levels
	if w.makers {
		for j := range w.cards {
			s.Makers = append(s.Makers, j%2)
		}
	}
	pair := [2]int{r.IntN(w.cpus), r.IntN(w.cards)}
	q := make([]float64, w.games)
	for k := range q {
		q[k] = 4 + 6*r.Float64()
	}
	squares := 0.0
	for i := range w.cpus {
		for j := range w.cards {
			shift := w.all * r.NormFloat64()
			if w.one != 0 && pair == [2]int{i, j} {
				shift += math.Log1p(w.one)
			}
			for k := range w.games {
				for l, load := range []float64{1, 1.5, 2.4} {
					ceiling := 96 * math.Pow(1.157, float64(i)) * (1 + 0.25*float64(k))
					if j%2 == 1 {
						ceiling *= 1 - w.driver
					}
					y, _ := stats.SoftMin(ceiling, 90*math.Pow(1.24, float64(j))/load*(1+0.1*float64(k)), q[k])
					mean, sum, n := 0.0, 0.0, 3.0
					for range int(n) {
						x := w.noise * r.NormFloat64()
						mean, sum = mean+x/n, sum+x*x
					}
					squares += sum - n*mean*mean
					cells = append(cells, outlier.Cell{Game: k, CPU: i, Card: j, Setting: l, Log: math.Log(y) + shift + mean})
				}
			}
		}
	}
	df := float64(2 * len(cells))
	for i := range cells {
		cells[i].Repeat = outlier.Repeat{SD: math.Sqrt(squares / df / 3), DF: df, Pooled: true}
	}
	planted = -1
	if w.plant != 0 {
		planted = r.IntN(len(cells))
		cells[planted].Log += math.Log1p([]float64{w.plant, -w.plant}[r.IntN(2)])
	}
	if w.exchange {
		i, a := r.IntN(w.cpus), r.IntN(w.cards)
		b := (a + 1 + r.IntN(w.cards-1)) % w.cards
		for x := range cells {
			for y := range cells {
				if c, d := &cells[x], &cells[y]; c.CPU == i && d.CPU == i && c.Card == a && d.Card == b && c.Game == d.Game && c.Setting == d.Setting {
					c.Log, d.Log = d.Log, c.Log
				}
			}
		}
		moved = [2]outlier.Move{{CPU: i, Card: a, Instead: b}, {CPU: i, Card: b, Instead: a}}
	}
	return cells, s, planted, moved
}

func rounds(t *testing.T, short, long int) int {
	if v, err := strconv.Atoi(os.Getenv("SIM_ROUNDS")); err == nil && v > 0 {
		return v
	}
	if testlab.Long(t) {
		return long
	}
	return short
}

func seed() uint64 {
	v, _ := strconv.ParseUint(os.Getenv("SIM_SEED"), 10, 64)
	return v
}

func TestRates(t *testing.T) {
	n := rounds(t, 6, 600)
	for _, w := range []world{
		{name: "true"}, {name: "true, makers known", makers: true}, {name: "driver", driver: 0.08}, {name: "driver, makers known", driver: 0.08, makers: true},
		{name: "one pair", one: -0.02}, {name: "all pairs", all: 0.02},
	} {
		w.cpus, w.cards, w.games, w.noise = 5, 6, 2, 0.006
		t.Run(w.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed(), 17))
			clean, others, found, silent, weak, every, properties := 0, 0, 0, 0, 0, 0, 0
			for range n {
				cells, s, _, _ := w.matrix(r)
				x := outlier.New(cells, s).Search()
				if len(x.Odd)+len(x.Moves) > 0 {
					clean++
				}
				if x.EveryPair {
					every++
				}
				if len(x.Drivers)+len(x.Pairs) > 0 {
					properties++
				}
				p := w
				p.plant = 0.06
				cells, s, planted, _ := p.matrix(r)
				x = outlier.New(cells, s).Search()
				hit, other, said := false, len(x.Moves) > 0, true
				for _, o := range x.Odd {
					hit, other = hit || o.Cell == planted, other || o.Cell != planted
				}
				for _, o := range x.Tests {
					if o.Cell == planted && o.Resolves < 0.06 {
						said = false
					}
				}
				if hit {
					found++
				} else if said {
					weak++
				} else {
					silent++
					t.Logf("missed %+v odd %+v pairs %d every %v drivers %+v", cells[planted], x.Odd, len(x.Pairs), x.EveryPair, x.Drivers)
				}
				if other {
					others++
					t.Logf("planted %d %+v: odd %+v moves %+v pairs %d every %v drivers %v", planted, cells[planted], x.Odd, x.Moves, len(x.Pairs), x.EveryPair, x.Drivers)
				}
			}
			t.Logf("%s: %d matrices: false %d, every pair %d, properties %d; planted: found %d, said to be weak %d, missed %d, others named %d", w.name, n, clean, every, properties, found, weak, silent, others)
		})
	}
}

func TestExchange(t *testing.T) {
	n := rounds(t, 6, 300)
	for _, w := range []world{{cpus: 4, cards: 3, games: 4}, {cpus: 3, cards: 4, games: 4}, {cpus: 3, cards: 3, games: 1}, {cpus: 5, cards: 6, games: 2}} {
		w.noise, w.exchange = 0.006, true
		r := rand.New(rand.NewPCG(seed(), 18))
		found, cells, wrong := 0, 0, 0
		for range n {
			c, s, _, moved := w.matrix(r)
			x := outlier.New(c, s).Search()
			hits := 0
			for _, m := range x.Moves {
				if m == moved[0] || m == moved[1] {
					hits++
				} else {
					wrong++
				}
			}
			if hits == 2 {
				found++
			} else {
				t.Logf("want %+v got %+v odd %d pairs %d every %v", moved, x.Moves, len(x.Odd), len(x.Pairs), x.EveryPair)
			}
			if len(x.Odd) > 0 {
				cells++
			}
		}
		t.Logf("%+v: %d, both found %d, cells named in %d, wrong moves %d", w, n, found, cells, wrong)
	}
}
