package campaign

import (
	"fmt"
	"slices"

	"capd.example/record"
)

// tooMany is the error of a matrix that is too large to lay out.
func (c *Campaign) tooMany() error {
	cells := 1.0
	for _, f := range c.Factors {
		if len(f.Levels) >= int(None) {
			return fmt.Errorf("%s has %d levels; at most %d can be planned", f.Name, len(f.Levels), None-1)
		}
		switch f.Name {
		case record.TagScene, record.TagPreset:
		case record.TagGame:
			sum := 0.0
			for _, g := range c.Games {
				sum += float64(max(1, len(g.Scenes)) * max(1, len(g.Presets)))
			}
			cells *= sum
		default:
			cells *= float64(len(f.Levels))
		}
	}
	if cells > MaxCells {
		return fmt.Errorf("the matrix has %.0f cells before exclusions; at most %d can be planned", cells, MaxCells)
	}
	return nil
}

// product returns the level indexes of every cell that is not excluded, one row of
// len(nest) per cell in the order of nest.
func (c *Campaign) product(nest []int) []uint16 {
	m := newMatrix(c, nest)
	row := make([]uint16, len(nest))
	for g := range c.Games {
		m.walk(g, 0, row)
	}
	return m.out
}

// matrix enumerates cells.
type matrix struct {
	choices [][][]uint16 // per game and depth, the levels to choose from
	rules   [][][]bool   // per exclusion and depth, the levels it covers; nil for all
	out     []uint16
}

func newMatrix(c *Campaign, nest []int) *matrix {
	m := &matrix{}
	for _, g := range c.Games {
		per := make([][]uint16, len(nest))
		for d, f := range nest {
			per[d] = choices(c.Factors[f], g)
		}
		m.choices = append(m.choices, per)
	}
	for _, e := range c.Excludes {
		rule := make([][]bool, len(nest))
		for d, f := range nest {
			levels, named := e.Levels[c.Factors[f].Name]
			if !named {
				continue
			}
			rule[d] = make([]bool, len(c.Factors[f].Levels))
			for i, l := range c.Factors[f].Levels {
				rule[d][i] = slices.Contains(levels, l)
			}
		}
		m.rules = append(m.rules, rule)
	}
	return m
}

// choices returns the levels of a factor that cells of a game can have.
func choices(f Factor, g Game) []uint16 {
	var names []string
	switch f.Name {
	case record.TagGame:
		names = []string{g.Name}
	case record.TagScene:
		names = g.Scenes
	case record.TagPreset:
		names = g.Presets
	default:
		names = f.Levels
	}
	if len(names) == 0 {
		return []uint16{None}
	}
	index := make(map[string]uint16, len(f.Levels))
	for i, l := range f.Levels {
		index[l] = uint16(i)
	}
	out := make([]uint16, len(names))
	for i, n := range names {
		out[i] = index[n]
	}
	return out
}

func (m *matrix) walk(game, depth int, row []uint16) {
	if depth == len(row) {
		if !m.excluded(row) {
			m.out = append(m.out, row...)
		}
		return
	}
	for _, l := range m.choices[game][depth] {
		row[depth] = l
		m.walk(game, depth+1, row)
	}
}

func (m *matrix) excluded(row []uint16) bool {
	for _, rule := range m.rules {
		hit := true
		for d, levels := range rule {
			if levels != nil && (row[d] == None || !levels[row[d]]) {
				hit = false
				break
			}
		}
		if hit {
			return true
		}
	}
	return false
}

// count returns the number of cells that are left.
func (c *Campaign) count() int {
	nest := nesting(c.Factors)
	if len(nest) == 0 {
		return 0
	}
	return len(c.product(nest)) / len(nest)
}
