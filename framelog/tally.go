package framelog

import (
	"fmt"
	"strings"
)

// reason says why a row gives no frame.
type reason int

const (
	badCells reason = iota
	badText
	badEmpty
	badNonFinite
	badNegative
	badZero
	badBackwards
	badLong
	badStamp
	badPoint
	reasons
)

var reasonWords = [reasons]string{
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

// tally counts rows that give no frame, by reason.
type tally struct {
	count, first [reasons]int
	total        int
}

func (t *tally) add(r reason, line int) {
	if t.count[r] == 0 {
		t.first[r] = line
	}
	t.count[r]++
	t.total++
}

func (t *tally) join(o *tally) {
	for r := range o.count {
		if o.count[r] > 0 && t.count[r] == 0 {
			t.first[r] = o.first[r]
		}
		t.count[r] += o.count[r]
	}
	t.total += o.total
	*o = tally{}
}

// firstLine returns the first line counted.
func (t *tally) firstLine() int {
	line := 0
	for r, n := range t.count {
		if n > 0 && (line == 0 || t.first[r] < line) {
			line = t.first[r]
		}
	}
	return line
}

// String lists the reasons with counts and first lines.
func (t *tally) String() string {
	var parts []string
	for r, n := range t.count {
		if n == 1 {
			parts = append(parts, fmt.Sprintf("%s (line %d)", reasonWords[r], t.first[r]))
		} else if n > 1 {
			parts = append(parts, fmt.Sprintf("%s (%d rows, first on line %d)", reasonWords[r], n, t.first[r]))
		}
	}
	return strings.Join(parts, "; ")
}
