package analysis

import (
	"encoding/binary"
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

// Gaps returns the cells that differ from others by missing tags alone. Its time grows with
// the number of cells, times that of the different sets of factors that cells lack.
func Gaps(cells []Cell) []Gap {
	found := make([]Gap, len(cells))
	for _, gapped := range byTagged(cells) {
		tagged := cells[gapped[0]].tagged()
		at := make(map[string]int, len(gapped)) // by the values of what they have: cells are different, so each has its own
		for _, i := range gapped {
			at[string(cells[i].key(nil, tagged))] = i
		}
		var key []byte
		for _, other := range cells {
			key = other.key(key[:0], tagged)
			i, alike := at[string(key)]
			if !alike {
				continue
			}
			if lacks := cells[i].lacks(other); len(lacks) > 0 {
				found[i].Like = append(found[i].Like, other)
				found[i].Missing = append(found[i].Missing, lacks...)
			}
		}
	}
	var out []Gap
	for i, g := range found {
		if len(g.Like) > 0 {
			g.Cell, g.Missing = cells[i], inFactorOrder(cells[i].order, g.Missing)
			out = append(out, g)
		}
	}
	return out
}

// byTagged returns the indexes of the cells that lack a factor, those together that have the
// same ones.
func byTagged(cells []Cell) map[string][]int {
	out := map[string][]int{}
	for i, c := range cells {
		if tagged := c.tagged(); len(tagged) < len(c.order) {
			name := strings.Join(tagged, "\x00")
			out[name] = append(out[name], i)
		}
	}
	return out
}

// tagged returns the factors that the cell has a value of.
func (c Cell) tagged() []string {
	return slices.DeleteFunc(slices.Clone(c.order), func(f string) bool { return c.Factors[f] == "" })
}

// key appends the values of the factors, told apart by their lengths.
func (c Cell) key(to []byte, factors []string) []byte {
	for _, f := range factors {
		to = binary.AppendUvarint(to, uint64(len(c.Factors[f])))
		to = append(to, c.Factors[f]...)
	}
	return to
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
func (c Cell) Unmodelled() string {
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
func SomeIDs(ids []string) string {
	const most = 3
	if len(ids) <= most {
		return strings.Join(ids, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(ids[:most], ", "), len(ids)-most)
}
