package framelog

import (
	"bytes"
	"slices"
	"strings"
	"unicode/utf8"
)

// Limits that keep a hostile log's cost bounded.
const (
	maxColumns  = 4096
	maxTags     = 256
	maxTagLen   = 256
	frontLines  = 128 // lines looked at for preamble and heading
	sampleLines = 32  // lines from the middle of the first piece that settle the structure
)

// blankDelim stands for any run of blanks and tabs between cells; noDelim for a log of
// one column.
const (
	noDelim    byte = 0
	blankDelim byte = ' '
)

// table is the structure of a text log: everything but the meaning of its columns.
type table struct {
	eol       byte // '\n' or '\r'
	delim     byte
	point     byte
	columns   int
	names     []string // nil where there is no heading
	unitNames []string // all heading lines of a column joined, for its unit
	heading   []byte   // the heading line as it is, to notice it again
	preamble  int      // lines ahead of the first row
	body      int      // offset of the first row
	header    map[string]string
	latin1    bool
	numeric   []bool // columns whose cells are mostly numbers
}

// name returns the heading of column c (from 0), or its position.
func (t *table) name(c int) string {
	if t.names != nil && strings.TrimSpace(t.names[c]) != "" {
		return t.names[c]
	}
	return positionName(c)
}

// lineEnd returns the byte that ends lines in head.
func lineEnd(head []byte) byte {
	if bytes.IndexByte(head, '\n') < 0 && bytes.IndexByte(head, '\r') >= 0 {
		return '\r'
	}
	return '\n'
}

// cutLine returns the line at b[i:], without its end, and where the next one starts.
func cutLine(b []byte, i int, eol byte) (line []byte, next int, whole bool) {
	k := bytes.IndexByte(b[i:], eol)
	if k < 0 {
		return trimCR(b[i:]), len(b), false
	}
	return trimCR(b[i : i+k]), i + k + 1, true
}

func trimCR(b []byte) []byte {
	if n := len(b); n > 0 && b[n-1] == '\r' {
		return b[:n-1]
	}
	return b
}

// splitCells appends the cells of a line to dst. Quoted cells (RFC 4180) lose their
// quotes; doubled quotes inside stay doubled, since no number holds one.
func splitCells(dst [][]byte, line []byte, delim byte) [][]byte {
	switch delim {
	case noDelim:
		return append(dst, unquote(line))
	case blankDelim:
		return splitBlank(dst, line)
	}
	for {
		var cell []byte
		rest := trimLeftBlank(line)
		if len(rest) > 0 && rest[0] == '"' {
			n := quotedLen(rest)
			k := bytes.IndexByte(rest[n:], delim)
			if k < 0 {
				return append(dst, unquote(rest))
			}
			cell, line = unquote(rest[:n+k]), rest[n+k+1:]
		} else {
			k := bytes.IndexByte(line, delim)
			if k < 0 {
				return append(dst, line)
			}
			cell, line = line[:k], line[k+1:]
		}
		dst = append(dst, cell)
		if len(dst) > maxColumns {
			return dst
		}
	}
}

func splitBlank(dst [][]byte, line []byte) [][]byte {
	for len(dst) <= maxColumns {
		line = trimLeftBlank(line)
		if len(line) == 0 {
			break
		}
		k := 0
		if line[0] == '"' {
			k = quotedLen(line)
		}
		for k < len(line) && line[k] != ' ' && line[k] != '\t' {
			k++
		}
		dst = append(dst, unquote(line[:k]))
		line = line[k:]
	}
	return dst
}

// quotedLen returns how long the quoted part at the start of b is, quotes included;
// all of b where the closing quote is missing.
func quotedLen(b []byte) int {
	for i := 1; i < len(b); i++ {
		if b[i] == '"' {
			if i+1 < len(b) && b[i+1] == '"' {
				i++
				continue
			}
			return i + 1
		}
	}
	return len(b)
}

func unquote(b []byte) []byte {
	b = trimBlank(b)
	if len(b) >= 2 && b[0] == '"' && b[len(b)-1] == '"' {
		return b[1 : len(b)-1]
	}
	return b
}

func trimLeftBlank(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

// shape is how well a delimiter explains the sample.
type shape struct {
	delim, point byte
	columns      int
	fits         int     // lines with the usual number of cells and at least one number
	share        float64 // of numbers among the cells that are not empty
}

func (s shape) score() float64 { return float64(s.fits) * s.share }

// structure finds delimiter, decimal sign and number of columns from sample lines.
func structure(sample [][]byte, force Declared, scratch *[][]byte) (shape, bool) {
	var best shape
	delims := []byte{'\t', ';', '|', ',', blankDelim, noDelim}
	if force.Delimiter != "" {
		delims = []byte{force.Delimiter[0]}
	}
	for _, d := range delims {
		if d != noDelim && !anyHas(sample, d) && force.Delimiter == "" {
			continue
		}
		for _, p := range []byte{'.', ','} {
			if force.Decimal != "" && force.Decimal[0] != p || force.Decimal == "" && p == ',' && !commaPossible(sample, d) {
				continue
			}
			if s := measureShape(sample, d, p, scratch); s.score() > best.score()*1.0001 {
				best = s
			}
		}
	}
	if best.delim == ',' && best.columns == 2 && force.Delimiter == "" && fractionsOnly(sample) {
		best = measureShape(sample, noDelim, ',', scratch)
	}
	return best, best.fits > 0 && best.columns <= maxColumns
}

// commaPossible reports whether cells may hold decimal commas: where commas part the
// cells, only quoted ones can.
func commaPossible(sample [][]byte, delim byte) bool {
	return anyHas(sample, ',') && (delim != ',' || anyHas(sample, '"'))
}

func anyHas(lines [][]byte, c byte) bool {
	for _, l := range lines {
		if bytes.IndexByte(l, c) >= 0 {
			return true
		}
	}
	return false
}

// fractionsOnly reports whether "12,345" in most lines is a number with a decimal comma
// and not two cells: the part after the comma has the same width everywhere and
// sometimes starts with 0.
func fractionsOnly(lines [][]byte) bool {
	width, zeros, fit, other := -1, 0, 0, 0
	for _, l := range lines {
		k := bytes.IndexByte(l, ',')
		if k < 0 {
			continue
		}
		part := trimBlank(l[k+1:])
		if !allDigits(trimBlank(l[:k])) || !allDigits(part) || width >= 0 && len(part) != width {
			other++
			continue
		}
		width = len(part)
		fit++
		if part[0] == '0' {
			zeros++
		}
	}
	return width > 1 && zeros > 0 && fit > 4*other
}

// numberAtEnd reports whether a cell of several words begins or ends with a number.
func numberAtEnd(c []byte, point byte) bool {
	c = trimBlank(c)
	i, j := bytes.IndexByte(c, ' '), bytes.LastIndexByte(c, ' ')
	if i < 0 {
		return false
	}
	_, first := parseCell(c[:i], point)
	_, last := parseCell(c[j+1:], point)
	return first == isNumber || last == isNumber
}

func allDigits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}

func measureShape(sample [][]byte, delim, point byte, scratch *[][]byte) shape {
	s := shape{delim: delim, point: point}
	var counts [sampleLines * 4]int
	n := 0
	for _, l := range sample {
		if n == len(counts) {
			break
		}
		*scratch = splitCells((*scratch)[:0], l, delim)
		counts[n] = len(*scratch)
		n++
	}
	s.columns = mode(counts[:n])
	if s.columns == 1 && delim != noDelim {
		return shape{}
	}
	cells, numbers := 0, 0
	for i, l := range sample[:n] {
		if counts[i] != s.columns {
			continue
		}
		*scratch = splitCells((*scratch)[:0], l, delim)
		has := false
		for _, c := range *scratch {
			switch _, k := parseCell(c, point); k {
			case isNumber:
				has = true
				fallthrough
			case isNonFinite:
				numbers++
				cells++
			case isText:
				cells++
				if bytes.ContainsAny(c, "\t;|") || delim == ',' && numberAtEnd(c, point) {
					cells++ // rather a row of another delimiter
				}
			}
		}
		if has {
			s.fits++
		}
	}
	if cells > 0 {
		s.share = float64(numbers) / float64(cells)
	}
	return s
}

// mode returns the most frequent value, the larger one among equals.
func mode(v []int) int {
	sorted := slices.Clone(v)
	slices.Sort(sorted)
	best, bestN := 0, 0
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		if j-i >= bestN {
			best, bestN = sorted[i], j-i
		}
		i = j
	}
	return best
}

// decodeHeading turns heading bytes into text; bytes that are no UTF-8 are Latin-1.
func decodeHeading(b []byte) (text string, latin1 bool) {
	if utf8.Valid(b) {
		return string(b), false
	}
	var s strings.Builder
	for _, c := range b {
		s.WriteRune(rune(c))
	}
	return s.String(), true
}

// stripComment removes comment signs ahead of a line.
func stripComment(b []byte) ([]byte, bool) {
	t := trimLeftBlank(b)
	n := 0
	for n < len(t) && (t[n] == '#' || t[n] == '%' || t[n] == '!' || t[n] == ';' || t[n] == '/' && n+1 < len(t) && t[n+1] == '/' || t[n] == '/' && n > 0) {
		n++
	}
	return trimBlank(t[n:]), n > 0
}

// addTag keeps a `key: value` or `key = value` line.
func (t *table) addTag(line []byte, delim byte) {
	text, _ := stripComment(line)
	k := bytes.IndexAny(text, ":=")
	if k < 0 && delim != noDelim && delim != blankDelim {
		k = bytes.IndexByte(text, delim)
	}
	if k <= 0 || len(t.header) >= maxTags || len(text) > 2*maxTagLen {
		return
	}
	key, l1 := decodeHeading(unquote(text[:k]))
	value, l2 := decodeHeading(bytes.Trim(unquote(text[k+1:]), string([]byte{delim, ' ', '\t', '"'})))
	key = strings.TrimSpace(key)
	if key == "" || value == "" {
		return
	}
	t.latin1 = t.latin1 || l1 || l2
	if t.header == nil {
		t.header = map[string]string{}
	}
	if _, seen := t.header[key]; !seen {
		t.header[key] = value
	}
}
