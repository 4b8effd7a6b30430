package campaign

import (
	"fmt"
	"slices"
	"strconv"
)

// Plan is the cells of a campaign in the order in which they cost least to visit.
//
// Factors are nested by cost, the costliest outermost. At every node of that tree the
// Level that is set already comes first; where it is the last of the list, the list is
// walked backwards. So nothing is swapped back needlessly (boustrophedon order).
//
// No order of the same cells costs less than [Plan.Bound]; a full product reaches it.
type Plan struct {
	Campaign *Campaign

	nest  []int    // indexes into Campaign.Factors, costliest first
	cells []uint16 // Level indexes, len(nest) per cell, in nest order
	n     int

	// Made when first needed.
	levels []map[string]uint16 // per depth, folded name to level
	index  map[string]int32    // key of a cell to its position
	partly map[string][2]int   // what is known of a cell to one that fits and how many do
	builds *buildUps           // with control cells
}

func itoa(n int) string { return strconv.Itoa(n) }

// None is the level of a factor that a cell does not have.
const None = ^uint16(0)

// NewPlan lays out the cells of c.
func NewPlan(c *Campaign) (*Plan, error) {
	if err := c.tooMany(); err != nil {
		return nil, err
	}
	p := &Plan{Campaign: c, nest: nesting(c.Factors)}
	raw := c.product(p.nest)
	p.n = len(raw) / len(p.nest)
	if p.n == 0 {
		return nil, fmt.Errorf("campaign %s: no cell is left", c.Name)
	}
	p.cells = make([]uint16, 0, len(raw))
	o := orderer{width: len(p.nest), raw: raw, last: make([]uint16, len(p.nest)), out: p.cells}
	for i := range o.last {
		o.last[i] = None
	}
	all := make([]int32, p.n)
	for i := range all {
		all[i] = int32(i)
	}
	o.visit(all, 0)
	p.cells = o.out
	return p, nil
}

// nesting returns the factors' indexes, costliest first; equal costs keep their order.
func nesting(factors []Factor) []int {
	nest := make([]int, len(factors))
	for i := range nest {
		nest[i] = i
	}
	slices.SortStableFunc(nest, func(a, b int) int {
		switch wa, wb := factors[a].ChangeMinutes, factors[b].ChangeMinutes; {
		case wa > wb:
			return -1
		case wa < wb:
			return 1
		}
		return 0
	})
	return nest
}

// orderer walks the tree of cells.
type orderer struct {
	width int
	raw   []uint16
	last  []uint16 // levels of the cell visited last
	out   []uint16
}

func (o *orderer) level(cell int32, depth int) uint16 { return o.raw[int(cell)*o.width+depth] }

// visit appends the cells of a node, all equal above depth, in order.
func (o *orderer) visit(cells []int32, depth int) {
	if depth == o.width {
		row := o.raw[int(cells[0])*o.width:][:o.width]
		copy(o.last, row)
		o.out = append(o.out, row...)
		return
	}
	slices.SortStableFunc(cells, func(a, b int32) int { return int(o.level(a, depth)) - int(o.level(b, depth)) })
	var runs [][]int32
	now := -1 // the run of the level that is set already
	for i := 0; i < len(cells); {
		j := i + 1
		for j < len(cells) && o.level(cells[j], depth) == o.level(cells[i], depth) {
			j++
		}
		if o.level(cells[i], depth) == o.last[depth] {
			now = len(runs)
		}
		runs = append(runs, cells[i:j])
		i = j
	}
	switch {
	case now > 0 && now == len(runs)-1:
		slices.Reverse(runs)
	case now > 0:
		set := runs[now]
		copy(runs[1:now+1], runs[:now])
		runs[0] = set
	}
	for _, r := range runs {
		o.visit(r, depth+1)
	}
}

// Len returns the number of cells.
func (p *Plan) Len() int { return p.n }

// Factors returns the factors in the order of their nesting, costliest first.
func (p *Plan) Factors() []Factor {
	out := make([]Factor, len(p.nest))
	for i, f := range p.nest {
		out[i] = p.Campaign.Factors[f]
	}
	return out
}

// Cell returns the values of cell i, from 0 in the order of the plan. A factor that the
// cell does not have (the presets of a game without any) is left out.
func (p *Plan) Cell(i int) map[string]string {
	values := make(map[string]string, len(p.nest))
	for d, f := range p.nest {
		if l := p.Level(i, d); l != None {
			values[p.Campaign.Factors[f].Name] = p.Campaign.Factors[f].Levels[l]
		}
	}
	return values
}

// Level returns the level that a cell has of the factor at a depth, [None] for none.
func (p *Plan) Level(i, depth int) uint16 { return p.cells[i*len(p.nest)+depth] }

func (p *Plan) row(i int) []uint16 { return p.cells[i*len(p.nest):][:len(p.nest)] }

// differ returns the depth of the costliest factor in which two cells differ, the number
// of factors if they are the same.
func (p *Plan) differ(a, b int) int {
	ra, rb := p.row(a), p.row(b)
	for d := range ra {
		if ra[d] != rb[d] {
			return d
		}
	}
	return len(ra)
}

// Cost returns the minutes of changing from cell a to cell b; from -1 it is 0.
func (p *Plan) Cost(a, b int) float64 {
	if a < 0 || b < 0 {
		return 0
	}
	ra, rb := p.row(a), p.row(b)
	sum := 0.0
	for d := range ra {
		if ra[d] != rb[d] {
			sum += p.Campaign.Factors[p.nest[d]].ChangeMinutes
		}
	}
	return sum
}

// AlikeBut returns the cells in groups of those that differ in nothing but one factor.
func (p *Plan) AlikeBut(depth int) [][]int32 {
	levels := len(p.Campaign.Factors[p.nest[depth]].Levels)
	groups := make([][]int32, 0, p.n/levels+1)
	at := make(map[string]int, p.n/levels+1)
	row, key := make([]uint16, len(p.nest)), []byte(nil)
	for i := range p.n {
		copy(row, p.row(i))
		row[depth] = None
		key = appendKey(key[:0], row)
		g, known := at[string(key)]
		if !known {
			g = len(groups)
			at[string(key)] = g
			groups = append(groups, make([]int32, 0, levels))
		}
		groups[g] = append(groups[g], int32(i))
	}
	return groups
}
