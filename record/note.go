package record

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// Note is what the reviewer noted about a card, a processor, a game, a cell or a campaign, or
// that a note is taken back. Notes are never changed or deleted.
type Note struct {
	ID     string            `json:"id"`
	About  map[string]string `json:"about,omitempty"` // levels of factors and the campaign; a cell has several
	Text   string            `json:"text,omitempty"`
	At     time.Time         `json:"at"`
	Who    string            `json:"who"`
	Undoes string            `json:"undoes,omitempty"` // the one that is taken back; the note has no text then
	// InDoubt says that a damaged row may have taken it back: it does not stand.
	InDoubt bool `json:"in_doubt,omitempty"`
}

// Fits reports whether a note is about what bears these values: it names nothing else.
func (n Note) Fits(value func(name string) string) bool {
	for name, v := range n.About {
		if value(name) != v {
			return false
		}
	}
	return len(n.About) > 0
}

// Place says for people what the note is about: the levels of the usual factors in their order,
// then the others with their names.
func (n Note) Place() string {
	var parts []string
	for _, f := range CellFactors {
		if v := n.About[f]; v != "" {
			parts = append(parts, v)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(n.About)) {
		if !slices.Contains(CellFactors, name) {
			parts = append(parts, name+" "+n.About[name])
		}
	}
	return strings.Join(parts, " / ")
}

// TakenBack returns the identities of what was taken back. All notes are in the order in which
// they were given: one is taken back by a later one, and so is the taking back.
func TakenBack(all []Note) map[string]bool {
	gone := map[string]bool{}
	for _, n := range slices.Backward(all) {
		if n.Undoes != "" && !gone[n.ID] {
			gone[n.Undoes] = true
		}
	}
	return gone
}

// Standing returns the notes that were certainly not taken back, in their order.
func Standing(all []Note) (out []Note) {
	gone := TakenBack(all)
	for _, n := range all {
		if n.Undoes == "" && !gone[n.ID] && !n.InDoubt {
			out = append(out, n)
		}
	}
	return out
}
