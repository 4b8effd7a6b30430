package campaign

import (
	"math"

	"capd.example/record"
)

// Controls says what it costs to learn how much sessions differ: in each build-up of the
// parts one cell is measured again after a restart.
type Controls struct {
	Builds  int               `json:"builds"`  // build-ups of the parts, each of which is a session
	Wanted  int               `json:"wanted"`  // of them, those in which the cell is measured again
	Cell    map[string]string `json:"cell"`    // what it is measured with, but for the parts
	Passes  int               `json:"passes"`  // in all
	Minutes float64           `json:"minutes"` // with the restarts
}

const (
	// controlBuilds is how many build-ups are enough: with 16 degrees of freedom intervals hold
	// the truth in 94 to 97 % whatever sessions shift; see docs/analysis.md.
	controlBuilds = 16
	// restartMinutes is what a restart costs (a convention).
	restartMinutes = 3
)

// Controls chooses the control cell: of the game whose pass takes the least time, in the
// lightest setting (the first level of each factor that is no part) where the processor is
// the costlier part to change and stays, else in the heaviest, where the card tells.
func (p *Plan) Controls() Controls {
	c := Controls{Cell: map[string]string{}}
	part := func(name string) bool {
		return name == record.TagProcessor || name == record.TagGraphics || name == record.TagDriver
	}
	builds := map[string]int{} // first cell of each
	var order []string
	for i := range p.n {
		key := ""
		for d, f := range p.nest {
			if part(p.Campaign.Factors[f].Name) {
				key += itoa(int(p.level(i, d))) + " "
			}
		}
		if _, seen := builds[key]; !seen {
			builds[key] = i
			order = append(order, key)
		}
	}
	c.Builds = len(order)
	c.Wanted = min(c.Builds, controlBuilds)
	heavy := false
	for _, f := range p.nest { // the costliest part stays longest
		if name := p.Campaign.Factors[f].Name; part(name) {
			heavy = name == record.TagGraphics
			break
		}
	}
	least, game := math.Inf(1), -1
	for i, g := range p.Campaign.Games {
		if g.PassMinutes > 0 && g.PassMinutes < least {
			least, game = g.PassMinutes, i
		}
	}
	if game < 0 {
		game, least = 0, 0
	}
	d := p.depth(record.TagGame)
	best := -1
	for i := range p.n {
		if int(p.level(i, d)) != game {
			continue
		}
		if best < 0 || (p.lighter(i, best) != heavy) {
			best = i
		}
	}
	if best >= 0 {
		for name, v := range p.Cell(best) {
			if !part(name) {
				c.Cell[name] = v
			}
		}
	}
	c.Passes = c.Wanted * p.Campaign.Passes
	c.Minutes = float64(c.Wanted)*restartMinutes + float64(c.Passes)*least
	return c
}

// lighter reports whether a cell has earlier levels than another of the factors that are no
// parts, in the order in which the campaign lists them.
func (p *Plan) lighter(a, b int) bool {
	for d, f := range p.nest {
		switch p.Campaign.Factors[f].Name {
		case record.TagProcessor, record.TagGraphics, record.TagDriver, record.TagGame:
			continue
		}
		if x, y := p.level(a, d), p.level(b, d); x != y {
			return x < y
		}
	}
	return false
}
