package analysis

import (
	"fmt"
	"slices"
	"strings"

	"capd.example/record"
)

// Gap is a cell whose passes lack tags that keep it apart from cells that are else alike:
// most often one pass of three that nobody gave a resolution.
type Gap struct {
	Cell    Cell
	Missing []string // the factors that its passes have no tag for and the others have
	Like    []Cell   // the cells that are alike but for these
}

// Gaps returns the cells that differ from others by missing tags alone.
func Gaps(cells []Cell) []Gap {
	var out []Gap
	for _, c := range cells {
		var g Gap
		for _, other := range cells {
			if lacks := c.lacks(other); len(lacks) > 0 {
				g.Like = append(g.Like, other)
				g.Missing = append(g.Missing, lacks...)
			}
		}
		if len(g.Like) > 0 {
			g.Cell, g.Missing = c, inFactorOrder(c.order, g.Missing)
			out = append(out, g)
		}
	}
	return out
}

// inFactorOrder returns the factors that are named, each once, in their order.
func inFactorOrder(factors, named []string) []string {
	return slices.DeleteFunc(slices.Clone(factors), func(f string) bool { return !slices.Contains(named, f) })
}

// lacks returns the factors that the other cell has and c does not; nil where they differ
// in anything else, or where c lacks so much beside what both share that it is like anything.
func (c Cell) lacks(other Cell) []string {
	var out []string
	shared := 0
	for _, f := range c.order {
		switch mine, theirs := c.Factors[f], other.Factors[f]; {
		case mine == theirs && mine != "":
			shared++
		case mine == theirs:
		case mine == "":
			out = append(out, f)
		default:
			return nil
		}
	}
	if 2*len(out) > shared+1 {
		return nil
	}
	return out
}

// IDs are the identities of all passes of the cell, of those left out too.
func (c Cell) IDs() []string {
	var out []string
	for _, p := range c.Passes.Used {
		out = append(out, p.ID)
	}
	for _, p := range c.Passes.LeftOut {
		out = append(out, p.ID)
	}
	return out
}

// parts are the factors that a model is about.
var parts = []string{record.TagProcessor, record.TagGraphics}

// unmodelled says why no model can hold the cell; "" where one can.
func (c Cell) unmodelled() string {
	var why []string
	for _, f := range parts {
		_, factor := c.Factors[f]
		switch {
		case !factor:
			why = append(why, fmt.Sprintf("%q is not among the factors that make a cell", f))
		case c.Factors[f] == "":
			why = append(why, fmt.Sprintf("its passes have no tag %q", f))
		}
	}
	return strings.Join(why, "; ")
}

// someIDs names the first few passes.
func someIDs(ids []string) string {
	const most = 3
	if len(ids) <= most {
		return strings.Join(ids, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(ids[:most], ", "), len(ids)-most)
}
