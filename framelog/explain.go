package framelog

import (
	"strings"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/tally"
	"capd.example/record"
)

// Explanation says how a log was read, for people who doubt it.
type Explanation struct {
	Reading    record.Reading
	LineEnds   string // "LF", "CRLF", "CR"
	Preamble   int    // lines ahead of the first row, heading included
	Columns    []ColumnNote
	Rows       []RowNote // the first rows as understood
	Candidates []Candidate
}

// ColumnNote is what one column was taken for.
type ColumnNote struct {
	Position int    // from 1
	Name     string // heading, "" for none
	Looks    string // what its values look like
	Used     string // what it was used for, "" for nothing
}

// RowNote is one row as understood.
type RowNote struct {
	Line  int
	Cells []string // as they stand in the log, fit to be shown only when cleaned
	MS    float64  // frame time; 0 where the row gives none
	Wrong string   // why it gives none
}

// explainedRows is how many rows an explanation shows.
const explainedRows = 5

// Explain reads the log at path and says how. Where it cannot be read, the explanation
// holds what had been found until then.
func Explain(path string, opt Options) (Explanation, error) {
	r := &Reader{explain: &Explanation{}}
	opt.NoHash = true
	reading, _, err := r.ReadFile(path, opt)
	e := *r.explain
	e.Reading = reading
	return e, err
}

// note fills the explanation from the first piece, before the buffer is used again.
func (e *Explanation) note(s *sampler, t *table, ch choice, cols []*column, head []byte, shift int) {
	*e = Explanation{Preamble: max(t.preamble-shift, 0), LineEnds: lineEnds(head, t.eol)}
	for c := range t.columns {
		n := ColumnNote{Position: c + 1, Looks: "text"}
		if t.names != nil {
			n.Name = t.names[c]
		}
		for _, col := range cols {
			if col.pos == c {
				n.Looks = col.looks()
			}
		}
		switch {
		case ch.main.col == nil:
		case ch.main.col.pos == c:
			n.Used = "frame times, " + ch.main.kind() + " in " + ch.main.unit.String()
		case ch.stamp != nil && ch.stamp.col.pos == c:
			n.Used = "time stamps in " + ch.stamp.unit.String() + ", compared with the frame times"
		case ch.prog == c:
			n.Used = "program"
		}
		e.Columns = append(e.Columns, n)
	}
	e.noteRows(s, t, ch, head, shift)
}

func lineEnds(head []byte, eol byte) string {
	if eol == '\r' {
		return "CR"
	}
	if strings.Contains(string(head[:min(len(head), 4096)]), "\r\n") {
		return "CRLF"
	}
	return "LF"
}

// looks describes a column of numbers in words.
func (c *column) looks() string {
	switch {
	case c.counter:
		return "numbers counting up by one"
	case c.rising:
		return "rising numbers"
	case c.steady:
		return "the same number in every row looked at"
	}
	return "numbers"
}

func (e *Explanation) noteRows(s *sampler, t *table, ch choice, head []byte, shift int) {
	var prev decimal.Stamp
	have := false
	for at, line := t.body, t.preamble+1; at < len(head) && len(e.Rows) < explainedRows; line++ {
		text, next, _ := cells.CutLine(head, at, t.eol)
		at = next
		s.cells = cells.Split(s.cells[:0], text, t.delim)
		row := RowNote{Line: max(line-shift, 1)}
		for _, c := range s.cells {
			row.Cells = append(row.Cells, string(decimal.TrimBlank(c)))
		}
		if ch.main.col == nil {
			e.Rows = append(e.Rows, row)
			continue
		}
		if len(s.cells) != t.columns {
			row.Wrong = tally.ReasonWords[tally.BadCells]
		} else if n, k := decimal.Parse(s.cells[ch.main.col.pos], t.point); k != decimal.IsNumber {
			row.Wrong = "no number"
		} else if !ch.main.stamp {
			row.MS = n.In(ch.main.unit.Shift())
		} else {
			st := decimal.StampOf(n)
			if have {
				row.MS, _, _ = decimal.Between(prev, st, ch.main.unit.Shift())
			} else {
				row.Wrong = "the first stamp begins the first frame"
			}
			prev, have = st, true
		}
		e.Rows = append(e.Rows, row)
	}
}
