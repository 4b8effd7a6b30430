package framelog

import (
	"bytes"
	"fmt"
	"strings"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/unit"
)

func positionName(c int) string { return fmt.Sprintf("column %d", c+1) }

// sampler holds the buffers that recognition uses again from log to log.
type sampler struct {
	front, sample, cells [][]byte
	columns              []column
	list                 []*column
	numbers              []decimal.Number // of all columns, row after row
	plain                []float64
	texts                map[string]string // headings seen before, so that they are not made anew
	units                map[string]unit.Unit
}

// maxKnown bounds what a sampler remembers of headings.
const maxKnown = 4096

// text returns the heading cell as text.
func (s *sampler) text(b []byte) (string, bool) {
	if t, ok := s.texts[string(b)]; ok {
		return t, false
	}
	t, latin1 := decodeHeading(b)
	if !latin1 {
		if s.texts == nil || len(s.texts) >= maxKnown {
			s.texts = map[string]string{}
		}
		s.texts[t] = t
	}
	return t, latin1
}

// unitOf is the function of that name with a memory.
func (s *sampler) unitOf(heading string) unit.Unit {
	u, ok := s.units[heading]
	if !ok {
		if s.units == nil || len(s.units) >= maxKnown {
			s.units = map[string]unit.Unit{}
		}
		u = unit.Of(heading)
		s.units[heading] = u
	}
	return u
}

// findTable recognises the structure of a log from its first piece. eof says that the
// piece is the whole log.
func (s *sampler) findTable(head []byte, eof bool, d Declared) (*table, error) {
	t := &table{eol: cells.LineEnd(head)}
	start := skipLines(head, t.eol, d.SkipLines)
	if start < 0 {
		return nil, fault.New(0, "check skip_lines of the declared layout", "the log has no more than %d lines", d.SkipLines)
	}
	s.collect(head, start, t.eol, eof)
	sh, ok := cells.Structure(s.sample, d.Delimiter, d.Decimal, &s.cells)
	if !ok {
		return nil,
			fault.New(0, "check that this is a frame-time log with one frame per line; a declared layout can name the column",
				"no table of numbers found")
	}
	if sh.Delim == ',' && sh.Columns == 2 && d.Delimiter == "" && oneNameAhead(head[start:], t.eol) {
		sh = cells.Measure(s.sample, cells.None, ',', &s.cells)
	}
	t.delim, t.point, t.columns = sh.Delim, sh.Point, sh.Columns
	s.findNumeric(t)
	if err := s.findBody(t, head, start, d); err != nil {
		return nil, err
	}
	return t, nil
}

// oneNameAhead reports whether the line ahead of the first "12,345" names one column: a
// heading of two would have a comma as well.
func oneNameAhead(b []byte, eol byte) bool {
	var before []byte
	for at, n := 0, 0; at < len(b) && n < frontLines; n++ {
		line, next, _ := cells.CutLine(b, at, eol)
		at = next
		if left, right, ok := bytes.Cut(line, []byte{','}); ok && cells.Digits(decimal.TrimBlank(left)) &&
			cells.Digits(decimal.TrimBlank(right)) {
			_, comment := stripComment(before)
			return len(before) > 0 && !comment && bytes.IndexByte(before, ',') < 0
		}
		if len(bytes.TrimSpace(line)) > 0 {
			before = line
		}
	}
	return false
}

// skipLines returns the offset after n lines, -1 where there are not that many.
func skipLines(b []byte, eol byte, n int) int {
	i := 0
	for ; n > 0; n-- {
		k := bytes.IndexByte(b[i:], eol)
		if k < 0 {
			return -1
		}
		i += k + 1
	}
	return i
}

// collect takes the sample: whole lines from the middle of the piece, which are past any
// heading and ahead of any trailer.
func (s *sampler) collect(head []byte, start int, eol byte, eof bool) {
	s.sample = s.sample[:0]
	total, i := 0, start
	for i < len(head) && total < 4*sampleLines { // a short log is counted out
		_, next, _ := cells.CutLine(head, i, eol)
		total++
		i = next
	}
	at := start
	switch {
	case i >= len(head):
		for skip := (total - sampleLines) / 2; skip > 0; skip-- {
			_, at, _ = cells.CutLine(head, at, eol)
		}
	default:
		_, at, _ = cells.CutLine(head, start+(len(head)-start)/2, eol)
	}
	for at < len(head) && len(s.sample) < sampleLines {
		line, next, whole := cells.CutLine(head, at, eol)
		if len(line) > 0 && (whole || eof) {
			s.sample = append(s.sample, line)
		}
		at = next
	}
}

// findNumeric marks the columns that hold numbers in most sample lines.
func (s *sampler) findNumeric(t *table) {
	numbers, filled := make([]int, t.columns), make([]int, t.columns)
	for _, l := range s.sample {
		s.cells = cells.Split(s.cells[:0], l, t.delim)
		if len(s.cells) != t.columns {
			continue
		}
		for c, cell := range s.cells {
			switch _, k := decimal.Parse(cell, t.point); k {
			case decimal.IsNumber, decimal.IsNonFinite:
				numbers[c]++
				filled[c]++
			case decimal.IsText:
				filled[c]++
			}
		}
	}
	t.numeric = make([]bool, t.columns)
	for c := range t.numeric {
		t.numeric[c] = numbers[c] > 0 && 2*numbers[c] >= filled[c] // a short log may be half heading
	}
}

// isRow reports whether a line is a row of the table.
func (s *sampler) isRow(t *table, line []byte) bool {
	s.cells = cells.Split(s.cells[:0], line, t.delim)
	if len(s.cells) != t.columns {
		return false
	}
	has := false
	for c, cell := range s.cells {
		if !t.numeric[c] {
			continue
		}
		switch _, k := decimal.Parse(cell, t.point); k {
		case decimal.IsText:
			return false
		case decimal.IsNumber:
			has = true
		}
	}
	return has
}

// findBody finds the first row and reads what stands ahead of it.
func (s *sampler) findBody(t *table, head []byte, start int, d Declared) error {
	s.front = s.front[:0]
	at := start
	for at < len(head) {
		line, next, _ := cells.CutLine(head, at, t.eol)
		if s.isRow(t, line) {
			t.body = at
			t.preamble = d.SkipLines + len(s.front)
			s.readAhead(t)
			return nil
		}
		s.front = append(s.front, line)
		at = next
	}
	return fault.New(0, "check that the log has rows of one frame each", "no row of the table in the first %d bytes",
		len(head))
}

// readAhead splits the lines ahead of the table into heading lines and tags.
func (s *sampler) readAhead(t *table) {
	end := len(s.front)
	for end > 0 && len(bytes.TrimSpace(s.front[end-1])) == 0 {
		end--
	}
	first := end
	for first > 0 && end-first < 3 && s.isHeading(t, s.front[first-1], first < end) {
		first--
		if t.columns <= 2 && !s.unitsOnly(t, s.front[first]) {
			break
		}
	}
	if first < end {
		s.takeHeading(t, s.front[first:end])
	}
	for _, l := range s.front[:first] {
		if bytes.HasPrefix(bytes.ToLower(l), []byte("sep=")) {
			continue // a hint for spreadsheets
		}
		t.addTag(l, t.delim)
	}
}

// isHeading reports whether a line names the columns.
func (s *sampler) isHeading(t *table, line []byte, above bool) bool {
	text, comment := stripComment(line)
	if !comment {
		text = line
	}
	if t.columns == 1 && (above || bytes.IndexByte(text, ':') > 0 && comment) {
		return false
	}
	s.cells = cells.Split(s.cells[:0], text, t.delim)
	if len(s.cells) != t.columns {
		return false
	}
	named := 0
	for _, c := range s.cells {
		if _, k := decimal.Parse(c, t.point); k == decimal.IsText {
			named++
		} else if k == decimal.IsNumber {
			return false
		}
	}
	return named > 0 && (!above || 2*named > t.columns)
}

func (s *sampler) unitsOnly(t *table, line []byte) bool {
	s.cells = cells.Split(s.cells[:0], line, t.delim)
	for _, c := range s.cells {
		w := strings.Trim(string(decimal.TrimBlank(c)), "[]()")
		if w != "" && w != "-" && !unit.Known(strings.ToLower(w)) {
			return false
		}
	}
	return true
}

// takeHeading names the columns from the heading lines: the line with most words gives
// the names, all of them together the units.
func (s *sampler) takeHeading(t *table, lines [][]byte) {
	t.unitNames = make([]string, t.columns)
	best := -1
	for _, l := range lines {
		text, comment := stripComment(l)
		if !comment {
			text = l
		}
		s.cells = cells.Split(s.cells[:0], text, t.delim)
		names := make([]string, t.columns)
		n := 0
		for c, cell := range s.cells {
			name, l1 := s.text(decimal.TrimBlank(cell))
			t.latin1 = t.latin1 || l1
			names[c] = strings.ReplaceAll(name, `""`, `"`)
			if t.unitNames[c] == "" {
				t.unitNames[c] = names[c]
			} else {
				t.unitNames[c] += " " + names[c]
			}
			if name != "" {
				n++
			}
		}
		if n > best && !s.unitsOnly(t, text) || best < 0 {
			best = n
			t.names = names
			t.heading = bytes.Clone(l)
		}
	}
}
