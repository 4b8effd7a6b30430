package testlab

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
)

// Mistake is what went wrong with a planted pass.
type Mistake string

// The mistakes of a day at the bench.
const (
	None        Mistake = ""
	Stopped     Mistake = "stopped"      // the logger was stopped early
	Paused      Mistake = "paused"       // the game was paused
	Stalled     Mistake = "stalled"      // the picture stood still for half a second
	Capped      Mistake = "capped"       // a frame cap was left on
	WrongFolder Mistake = "wrong folder" // another game's log was saved here
	SlowPass    Mistake = "slow pass"    // something else ran beside one pass
	SlowCell    Mistake = "slow cell"    // and here beside all passes of a cell
	Swapped     Mistake = "swapped"      // another card was in than the folder says
)

// Day is a day at the bench of which the truth is known: a matrix in which each rate is
// what the slower of processor and card allows, noise, and planted mistakes.
type Day struct {
	Seed                                  uint64
	Processors, Cards, Games, Resolutions int
	Passes                                int
	Seconds                               float64 // of a log
	Faster                                float64 // factor on all rates; 0 is 1
	Plant                                 bool    // the mistakes
}

// DayPass is one log of the day.
type DayPass struct {
	Processor, Card, Game, Resolution string
	Number                            int
	Path                              string // below the watched folder: what the logger was told
	Scene                             Scene
	Mistake                           Mistake
}

// Cell names the cell that the log is filed under.
func (p DayPass) Cell() string {
	return p.Processor + " / " + p.Card + " / " + p.Game + " / " + p.Resolution
}

// Levels returns the names of parts and settings, invented.
func (d Day) Levels() (processors, cards, games, resolutions []string) {
	return names([]string{"Basalt 6", "Basalt 8", "Onyx 12"}, d.Processors),
		names([]string{"Lumen 60", "Lumen 70", "Lumen 80", "Umbra 9"}, d.Cards),
		names([]string{"Copper Drift", "Salt Flats", "Glass Halyard", "Ember Coast"}, d.Games),
		names([]string{"1920x1080", "2560x1440", "3840x2160"}, d.Resolutions)
}

func names(all []string, n int) []string { return all[:min(n, len(all))] }

// rate is the true rate of a cell: a soft minimum of what both parts allow.
func (d Day) rate(processor, card, game, resolution int) float64 {
	c := []float64{96, 118, 149}[processor] * []float64{1, 1.31, 0.86, 1.12}[game]
	g := []float64{70, 97, 131, 178}[card] * []float64{1.22, 0.9, 1.05, 0.78}[game] * []float64{1.15, 0.78,
		0.47}[resolution]
	const q = 8
	f := math.Pow(math.Pow(c, -q)+math.Pow(g, -q), -1/float64(q))
	if d.Faster > 0 {
		f *= d.Faster
	}
	return f
}

// Logs returns the day's logs in the order in which they were recorded.
func (d Day) Logs() []DayPass {
	processors, cards, games, resolutions := d.Levels()
	rng := rand.New(rand.NewPCG(d.Seed, 0xda7))
	var out []DayPass
	for c, processor := range processors {
		for g, card := range cards {
			for n, game := range games {
				for r, resolution := range resolutions {
					for pass := 1; pass <= d.Passes; pass++ {
						p := DayPass{Processor: processor, Card: card, Game: game, Resolution: resolution, Number: pass}
						p.Path = filepath.Join(processor, card, game, resolution, fmt.Sprintf("pass%d.csv", pass))
						p.Scene = Scene{Seed: rng.Uint64(), Load: uint64(n + 1), Seconds: d.Seconds, Hitches: -1, Spread: 0.05,
							FPS: d.rate(c, g, n, r) * math.Exp(0.002*rng.NormFloat64())}
						out = append(out, p)
					}
				}
			}
		}
	}
	if d.Plant {
		out = d.plant(out, rng)
	}
	return out
}

// plant makes the mistakes, each in a cell of its own.
func (d Day) plant(logs []DayPass, rng *rand.Rand) []DayPass {
	processors, cards, games, resolutions := d.Levels()
	at := func(processor, card, game, resolution, pass int) int {
		return slices.IndexFunc(logs, func(p DayPass) bool {
			return p.Processor == processors[processor] && p.Card == cards[card] && p.Game == games[game] &&
				p.Resolution == resolutions[resolution] && p.Number == pass
		})
	}
	last := len(resolutions) - 1
	change := func(i int, m Mistake, fn func(*Scene)) {
		logs[i].Mistake = m
		fn(&logs[i].Scene)
	}
	change(at(0, 0, 0, 0, 2), Stopped, func(s *Scene) { s.Seconds *= 0.4 })
	change(at(0, 1, 0, 0, 3), Paused, func(s *Scene) { s.StallAtS, s.StallS = s.Seconds/2, 1.6 })
	change(at(1, 0, 0, last, 3), Stalled, func(s *Scene) { s.StallAtS, s.StallS = s.Seconds/3, 0.6 })
	change(at(1, 1, 0, 0, 3), Capped, func(s *Scene) { s.CapFPS = 60 })
	change(at(2, 0, 1, 0, 3), SlowPass, func(s *Scene) { s.FPS *= 0.93 })
	for pass := 1; pass <= d.Passes; pass++ {
		change(at(1, 1, 1, last, pass), SlowCell, func(s *Scene) { s.FPS *= 0.93 })
	}
	// The log of another game, as one more in a cell that is complete.
	stray := logs[at(0, len(cards)-1, 0, 0, 1)]
	stray.Number, stray.Mistake = d.Passes+1, WrongFolder
	stray.Path = filepath.Join(filepath.Dir(stray.Path), fmt.Sprintf("pass%d.csv", stray.Number))
	stray.Scene.Seed, stray.Scene.FPS = rng.Uint64(), d.rate(0, len(cards)-1, 1, 0)
	i := at(0, len(cards)-1, 0, 0, d.Passes)
	return slices.Insert(logs, i+1, stray)
}

// Swap has another card in for the logs of one processor and card: the folder says one
// thing and the rates are those of another.
func (d Day) Swap(logs []DayPass, processor, card, in int) {
	processors, cards, games, resolutions := d.Levels()
	for i := range logs {
		p := &logs[i]
		if p.Processor == processors[processor] && p.Card == cards[card] {
			p.Mistake = Swapped
			p.Scene.FPS *= d.rate(processor, in, slices.Index(games, p.Game), slices.Index(resolutions, p.Resolution)) /
				d.rate(processor, card, slices.Index(games, p.Game), slices.Index(resolutions, p.Resolution))
		}
	}
}
