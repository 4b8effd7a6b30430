package outlier

import (
	"slices"
	"testing"
)

// A cell that is taken for one of a part which was not measured in its settings is in no fit: it
// has no ceiling there, and least of all that of the first part.
func TestNoCeilingIsNotTheFirst(t *testing.T) {
	var cells []Cell
	for card := range 3 {
		for cpu := range 3 {
			for setting := range 2 {
				if card != 2 || setting != 1 { // the third card was not measured in the second setting
					cells = append(cells, Cell{CPU: cpu, Card: card, Setting: setting, Log: float64(cpu+card-setting) / 10})
				}
			}
		}
	}
	m := New(cells, Settings{Level: 0.009, Rich: 0.001, Least: 0.01, Aim: 0.04})
	s := m.plain()
	at := slices.IndexFunc(cells, func(c Cell) bool { return c.CPU == 1 && c.Card == 1 && c.Setting == 1 })
	s.moved[m.pair[at]] = &Move{CPU: 1, Card: 1, Instead: 2}
	if p, in := s.points(0); slices.Contains(in, at) || len(p) != len(cells)-1 {
		t.Errorf("%d of %d points, among them the cell without a ceiling: %v", len(p), len(cells), slices.Contains(in, at))
	}
}
