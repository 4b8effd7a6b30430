package framelog

import (
	"bytes"
	"strings"
	"unicode/utf8"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
)

// Limits that keep a hostile log's cost bounded.
const (
	maxTags     = 256
	maxTagLen   = 256
	frontLines  = 128 // lines looked at for preamble and heading
	sampleLines = 32  // lines from the middle of the first piece that settle the structure
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
	t := cells.TrimLeft(b)
	n := 0
	for n < len(t) && (t[n] == '#' || t[n] == '%' || t[n] == '!' || t[n] == ';' || t[n] == '/' && n+1 < len(t) &&
		t[n+1] == '/' || t[n] == '/' && n > 0) {
		n++
	}
	return decimal.TrimBlank(t[n:]), n > 0
}

// addTag keeps a `key: value` or `key = value` line.
func (t *table) addTag(line []byte, delim byte) {
	text, _ := stripComment(line)
	k := bytes.IndexAny(text, ":=")
	if k < 0 && delim != cells.None && delim != cells.Blank {
		k = bytes.IndexByte(text, delim)
	}
	if k <= 0 || len(t.header) >= maxTags || len(text) > 2*maxTagLen {
		return
	}
	key, l1 := decodeHeading(cells.Unquote(text[:k]))
	value, l2 := decodeHeading(bytes.Trim(cells.Unquote(text[k+1:]), string([]byte{delim, ' ', '\t', '"'})))
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
