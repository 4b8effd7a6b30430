package tally

import (
	"fmt"
	"strings"
)

// Reason says why a row gives no frame.
type Reason int

const (
	BadCells Reason = iota
	BadText
	BadEmpty
	BadNonFinite
	BadNegative
	BadZero
	BadBackwards
	BadLong
	BadStamp
	BadPoint
	Reasons
)

var ReasonWords = [Reasons]string{
	"another number of cells than the table",
	"text where the frame time should be",
	"an empty cell",
	"a value that is not finite",
	"a negative frame time",
	"a frame time of zero",
	"a time stamp that goes backwards",
	"a frame time above ten minutes",
	"a time stamp that cannot be held exactly",
	"a number with another decimal sign than the rows before",
}

// Tally counts rows that give no frame, by reason.
type Tally struct {
	Count, First [Reasons]int
	Total        int
}

func (t *Tally) Add(r Reason, line int) {
	if t.Count[r] == 0 {
		t.First[r] = line
	}
	t.Count[r]++
	t.Total++
}

func (t *Tally) Join(o *Tally) {
	for r := range o.Count {
		if o.Count[r] > 0 && t.Count[r] == 0 {
			t.First[r] = o.First[r]
		}
		t.Count[r] += o.Count[r]
	}
	t.Total += o.Total
	*o = Tally{}
}

// FirstLine returns the first line counted.
func (t *Tally) FirstLine() int {
	line := 0
	for r, n := range t.Count {
		if n > 0 && (line == 0 || t.First[r] < line) {
			line = t.First[r]
		}
	}
	return line
}

// String lists the reasons with counts and first lines.
func (t *Tally) String() string {
	var parts []string
	for r, n := range t.Count {
		if n == 1 {
			parts = append(parts, fmt.Sprintf("%s (line %d)", ReasonWords[r], t.First[r]))
		} else if n > 1 {
			parts = append(parts, fmt.Sprintf("%s (%d rows, first on line %d)", ReasonWords[r], n, t.First[r]))
		}
	}
	return strings.Join(parts, "; ")
}
