// Package cells cuts lines of text into cells, and finds the delimiter and the decimal sign
// that explain a sample of lines best.
package cells

import (
	"bytes"
	"slices"

	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
)

// maxSample is how many lines are looked at.
const maxSample = 128

// Blank stands for any run of blanks and tabs between cells; None for a log of
// one column.
const (
	None  byte = 0
	Blank byte = ' '
)

// LineEnd returns the byte that ends lines in head.
func LineEnd(head []byte) byte {
	if bytes.IndexByte(head, '\n') < 0 && bytes.IndexByte(head, '\r') >= 0 {
		return '\r'
	}
	return '\n'
}

// CutLine returns the line at b[i:], without its end, and where the next one starts.
func CutLine(b []byte, i int, eol byte) (line []byte, next int, whole bool) {
	k := bytes.IndexByte(b[i:], eol)
	if k < 0 {
		return TrimCR(b[i:]), len(b), false
	}
	return TrimCR(b[i : i+k]), i + k + 1, true
}

func TrimCR(b []byte) []byte {
	if n := len(b); n > 0 && b[n-1] == '\r' {
		return b[:n-1]
	}
	return b
}

// Split appends the cells of a line to dst. Quoted cells (RFC 4180) lose their
// quotes; doubled quotes inside stay doubled, since no number holds one.
func Split(dst [][]byte, line []byte, delim byte) [][]byte {
	switch delim {
	case None:
		return append(dst, Unquote(line))
	case Blank:
		return splitBlank(dst, line)
	}
	for {
		var cell []byte
		rest := TrimLeft(line)
		if len(rest) > 0 && rest[0] == '"' {
			n := QuotedLen(rest)
			k := bytes.IndexByte(rest[n:], delim)
			if k < 0 {
				return append(dst, Unquote(rest))
			}
			cell, line = Unquote(rest[:n+k]), rest[n+k+1:]
		} else {
			k := bytes.IndexByte(line, delim)
			if k < 0 {
				return append(dst, line)
			}
			cell, line = line[:k], line[k+1:]
		}
		dst = append(dst, cell)
		if len(dst) > fault.MaxColumns {
			return dst
		}
	}
}

func splitBlank(dst [][]byte, line []byte) [][]byte {
	for len(dst) <= fault.MaxColumns {
		line = TrimLeft(line)
		if len(line) == 0 {
			break
		}
		k := 0
		if line[0] == '"' {
			k = QuotedLen(line)
		}
		for k < len(line) && line[k] != ' ' && line[k] != '\t' {
			k++
		}
		dst = append(dst, Unquote(line[:k]))
		line = line[k:]
	}
	return dst
}

// QuotedLen returns how long the quoted part at the start of b is, quotes included;
// all of b where the closing quote is missing.
func QuotedLen(b []byte) int {
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

func Unquote(b []byte) []byte {
	b = decimal.TrimBlank(b)
	if len(b) >= 2 && b[0] == '"' && b[len(b)-1] == '"' {
		return b[1 : len(b)-1]
	}
	return b
}

func TrimLeft(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	return b
}

// shape is how well a delimiter explains the sample.
type Shape struct {
	Delim, Point byte
	Columns      int
	fits         int     // lines with the usual number of cells and at least one number
	share        float64 // of numbers among the cells that are not empty
}

func (s Shape) score() float64 { return float64(s.fits) * s.share }

// Structure finds delimiter, decimal sign and number of columns from sample lines; delim and
// decimalSign are "" where they are to be found.
func Structure(sample [][]byte, delim, decimalSign string, scratch *[][]byte) (Shape, bool) {
	var best Shape
	delims := []byte{'\t', ';', '|', ',', Blank, None}
	if delim != "" {
		delims = []byte{delim[0]}
	}
	for _, d := range delims {
		if d != None && !anyHas(sample, d) && delim == "" {
			continue
		}
		for _, p := range []byte{'.', ','} {
			if decimalSign != "" && decimalSign[0] != p || decimalSign == "" && p == ',' && !commaPossible(sample, d) {
				continue
			}
			if s := Measure(sample, d, p, scratch); s.score() > best.score()*1.0001 {
				best = s
			}
		}
	}
	if best.Delim == ',' && best.Columns == 2 && delim == "" && fractionsOnly(sample) {
		best = Measure(sample, None, ',', scratch)
	}
	return best, best.fits > 0 && best.Columns <= fault.MaxColumns
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
		part := decimal.TrimBlank(l[k+1:])
		if !Digits(decimal.TrimBlank(l[:k])) || !Digits(part) || width >= 0 && len(part) != width {
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
	c = decimal.TrimBlank(c)
	i, j := bytes.IndexByte(c, ' '), bytes.LastIndexByte(c, ' ')
	if i < 0 {
		return false
	}
	_, first := decimal.Parse(c[:i], point)
	_, last := decimal.Parse(c[j+1:], point)
	return first == decimal.IsNumber || last == decimal.IsNumber
}

func Digits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}

func Measure(sample [][]byte, delim, point byte, scratch *[][]byte) Shape {
	s := Shape{Delim: delim, Point: point}
	var counts [maxSample]int
	n := 0
	for _, l := range sample {
		if n == len(counts) {
			break
		}
		*scratch = Split((*scratch)[:0], l, delim)
		counts[n] = len(*scratch)
		n++
	}
	s.Columns = mode(counts[:n])
	if s.Columns == 1 && delim != None {
		return Shape{}
	}
	cells, numbers := 0, 0
	for i, l := range sample[:n] {
		if counts[i] != s.Columns {
			continue
		}
		*scratch = Split((*scratch)[:0], l, delim)
		has := false
		for _, c := range *scratch {
			switch _, k := decimal.Parse(c, point); k {
			case decimal.IsNumber:
				has = true
				fallthrough
			case decimal.IsNonFinite:
				numbers++
				cells++
			case decimal.IsText:
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
