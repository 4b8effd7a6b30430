package testlab

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"capd.example/record"
)

// World is an invented matrix whose truth is known: every rate is the soft minimum of what its
// processor and its card allow, times what makes a cell odd.
type World struct {
	Processors, Cards []float64 // ceilings
	Games             int
	Resolutions       int
	Noise             float64 // standard deviation of the logarithm of a pass
	Shift             float64 // and of what a session shifts
	Controls          bool    // a cell of each build-up is measured again after a restart

	sharp    []float64          // of each game
	demand   [][2]float64       // of each game on processor and card
	favours  map[[2]int]float64 // a card in a game
	odd      map[string]float64 // factor on the rate of a cell, by its key
	missing  map[string]bool    // cells that are not measured
	boots, n int
	at       time.Time
}

// NewWorld draws a world of a size: some parts tie, some games favour a card, some cells are
// odd or missing.
func NewWorld(r *rand.Rand, processors, cards, games, resolutions int) *World {
	w := &World{Games: games, Resolutions: resolutions, Noise: 0.002 + 0.006*r.Float64(), favours: map[[2]int]float64{},
		odd: map[string]float64{}, missing: map[string]bool{}, at: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	ladder := func(n int, from float64) (out []float64) {
		for range n {
			out = append(out, from)
			switch r.IntN(4) {
			case 0: // the next one ties
				from *= 1 + 0.002*r.Float64()
			case 1:
				from *= 1.02 + 0.04*r.Float64()
			default:
				from *= 1.1 + 0.25*r.Float64()
			}
		}
		return out
	}
	w.Processors, w.Cards = ladder(processors, 100+40*r.Float64()), ladder(cards, 110+40*r.Float64())
	for g := range games {
		w.sharp = append(w.sharp, 4+6*r.Float64())
		w.demand = append(w.demand, [2]float64{0.7 + 0.8*r.Float64(), 0.7 + 0.8*r.Float64()})
		if r.IntN(3) == 0 {
			w.favours[[2]int{g, r.IntN(cards)}] = 1.05 + 0.2*r.Float64()
		}
	}
	if r.IntN(3) == 0 {
		f := w.factors(r.IntN(games), r.IntN(resolutions), r.IntN(processors), r.IntN(cards))
		w.odd[worldKey(f)] = 0.92
	}
	if r.IntN(3) == 0 {
		w.missing[worldKey(w.factors(r.IntN(games), r.IntN(resolutions), r.IntN(processors), r.IntN(cards)))] = true
	}
	return w
}

func (w *World) factors(game, resolution, processor, card int) map[string]string {
	return map[string]string{record.TagProcessor: fmt.Sprintf("Quillon %d00", processor+1),
		record.TagGraphics: fmt.Sprintf("Ember %d0", card+1), record.TagGame: fmt.Sprintf("Game %d", game+1),
		record.TagScene: "terrace", record.TagResolution: []string{"1920x1080", "2560x1440", "3840x2160"}[resolution],
		record.TagPreset: "high"}
}

func worldKey(f map[string]string) string {
	key := ""
	for _, name := range record.CellFactors {
		key += f[name] + "\x00"
	}
	return key
}

// indexes are the game, resolution, processor and card of a cell.
func (w *World) indexes(f map[string]string) (game, resolution, processor, card int) {
	fmt.Sscanf(f[record.TagGame], "Game %d", &game)
	fmt.Sscanf(f[record.TagProcessor], "Quillon %d", &processor)
	fmt.Sscanf(f[record.TagGraphics], "Ember %d", &card)
	resolution = map[string]int{"1920x1080": 0, "2560x1440": 1, "3840x2160": 2}[f[record.TagResolution]]
	return game - 1, resolution, processor/100 - 1, card/10 - 1
}

func (w *World) parts(f map[string]string) (processor, card, sharp float64) {
	g, res, c, k := w.indexes(f)
	card = w.Cards[k] / w.demand[g][1] / math.Pow(1.6, float64(res))
	if by := w.favours[[2]int{g, k}]; by > 0 {
		card *= by
	}
	return w.Processors[c] / w.demand[g][0], card, w.sharp[g]
}

// Rate is the true average rate of a cell on an average session; its true 1% low is 0.7 of it.
func (w *World) Rate(f map[string]string) float64 {
	c, g, q := w.parts(f)
	y := math.Pow(math.Pow(c, -q)+math.Pow(g, -q), -1/q)
	if odd := w.odd[worldKey(f)]; odd > 0 {
		y *= odd
	}
	return y
}

// Share is the processor's true share in what limits a cell, from 0 to 1.
func (w *World) Share(f map[string]string) float64 {
	c, g, q := w.parts(f)
	return math.Pow(c, -q) / (math.Pow(c, -q) + math.Pow(g, -q))
}

// Odd reports whether a cell is.
func (w *World) Odd(f map[string]string) bool { return w.odd[worldKey(f)] > 0 }

// Passes measures the world: three passes of each cell, each pair of parts built up once and
// measured in one session.
func (w *World) Passes(r *rand.Rand) (out []record.Pass) {
	for c := range w.Processors {
		for g := range w.Cards {
			w.boots++
			shift := w.Shift * r.NormFloat64()
			for game := range w.Games {
				for res := range w.Resolutions {
					if f := w.factors(game, res, c, g); !w.missing[worldKey(f)] {
						out = w.measure(r, out, f, shift)
					}
				}
			}
			if w.Controls {
				w.boots++
				w.at = w.at.Add(3 * time.Minute)
				out = w.measure(r, out, w.factors(0, 0, c, g), w.Shift*r.NormFloat64())
			}
			w.at = w.at.Add(20 * time.Minute)
		}
	}
	return out
}

func (w *World) measure(r *rand.Rand, out []record.Pass, f map[string]string, shift float64) []record.Pass {
	for range 3 {
		y := w.Rate(f) * math.Exp(shift+w.Noise*r.NormFloat64())
		low := 0.7 * w.Rate(f) * math.Exp(shift+2*w.Noise*r.NormFloat64())
		w.n++
		p := record.Pass{ID: fmt.Sprintf("%012x", w.n), SHA256: fmt.Sprintf("%064x", w.n), Bench: "one",
			System: f[record.TagProcessor] + " with " + f[record.TagGraphics], Verdict: record.Clean, StartedAt: w.at,
			EndedAt: w.at.Add(
				time.Minute,
			), Tags: record.Tags{record.TagBoot: {Value: fmt.Sprint("boot ", w.boots), From: record.FromDetected}},
			Metrics: record.Metrics{Frames: int(60 * y), DurationS: 60, AvgFPS: y, Low1FPS: low, Low01FPS: 0.7 * low,
				Low1TimeFPS: 1.03 * low, P99FPS: 1.05 * low, MedianMS: 990 / y, P95MS: 1200 / y, P99MS: 950 / low, P999MS: 1500 / low}}
		for name, v := range f {
			p.Tags[name] = record.Tag{Value: v, From: record.FromPath}
		}
		w.at = w.at.Add(2 * time.Minute)
		out = append(out, p)
	}
	return out
}
