package unwrap

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strings"

	"capd.example/framelog/internal/fault"
)

// looksLikeJSON reports whether the text begins with a JSON object on a line.
func looksLikeJSON(first []byte) bool {
	t := bytes.TrimLeft(first, " \t\r\n")
	if len(t) < 2 || t[0] != '{' {
		return false
	}
	t = bytes.TrimLeft(t[1:], " \t")
	return len(t) > 0 && t[0] == '"'
}

// jsonLines turns JSON Lines into comma-separated text: the keys of the first object are
// the heading, one row per object. A member that is missing or null is an empty cell;
// numbers are copied digit by digit, so nothing is rounded. A line that is no object
// becomes a row of one cell, which the table then reports with its line.
type jsonLines struct {
	r     *bufio.Reader
	keys  []string
	index map[string]int
	cells [][]byte
	out   []byte
	given int
	err   error
}

func newJSONLines(r io.Reader) *jsonLines {
	return &jsonLines{r: bufio.NewReaderSize(r, fault.MaxLine)}
}

func (j *jsonLines) Read(p []byte) (int, error) {
	for j.given == len(j.out) {
		if j.err != nil {
			return 0, j.err
		}
		j.out, j.given = j.out[:0], 0
		j.next()
	}
	n := copy(p, j.out[j.given:])
	j.given += n
	return n, nil
}

// next turns lines into text until some text is there.
func (j *jsonLines) next() {
	for len(j.out) < 32<<10 && j.err == nil {
		line, err := j.r.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			j.err = fault.New(0, "check that the log has one JSON object per line", "a line is longer than %d kB",
				fault.MaxLine>>10)
			return
		}
		j.err = err
		whole := err == nil
		if !whole && len(line) == 0 {
			return
		}
		j.object(bytes.TrimSpace(line))
		if whole {
			j.out = append(j.out, '\n')
		}
	}
}

// object appends one line's row.
func (j *jsonLines) object(line []byte) {
	if len(line) == 0 {
		return
	}
	for i := range j.cells {
		j.cells[i] = nil
	}
	first := j.keys == nil
	p := jsonScanner{b: line}
	ok := p.object(func(key, value []byte) {
		i, known := j.index[string(key)]
		if !known {
			if !first || len(j.keys) >= fault.MaxColumns {
				return
			}
			if j.index == nil {
				j.index = map[string]int{}
			}
			i = len(j.keys)
			j.index[string(key)] = i
			j.keys = append(j.keys, plainString(key))
			j.cells = append(j.cells, nil)
		}
		j.cells[i] = value
	})
	if !ok {
		j.out = append(j.out, "(no JSON object)"...)
		if first {
			j.keys, j.index, j.cells = nil, nil, nil
		}
		return
	}
	if first {
		for i, k := range j.keys {
			j.sep(i)
			j.quoted([]byte(k))
		}
		j.out = append(j.out, '\n')
	}
	for i, v := range j.cells {
		j.sep(i)
		switch {
		case len(v) == 0 || string(v) == "null":
		case v[0] == '"':
			j.text([]byte(plainString(v[1 : len(v)-1])))
		case v[0] == '{' || v[0] == '[':
			j.quoted([]byte("(nested)"))
		default:
			j.out = append(j.out, v...)
		}
	}
}

func (j *jsonLines) sep(i int) {
	if i > 0 {
		j.out = append(j.out, ',')
	}
}

// text appends a cell, quoted where it must be.
func (j *jsonLines) text(s []byte) {
	if bytes.ContainsAny(s, ",\"\r\n") {
		j.quoted(s)
		return
	}
	j.out = append(j.out, s...)
}

func (j *jsonLines) quoted(s []byte) {
	j.out = append(j.out, '"')
	for _, c := range s {
		switch c {
		case '"':
			j.out = append(j.out, '"', '"')
		case '\n', '\r':
			j.out = append(j.out, ' ')
		default:
			j.out = append(j.out, c)
		}
	}
	j.out = append(j.out, '"')
}

// plainString resolves the escapes of a JSON string's inside.
func plainString(b []byte) string {
	if bytes.IndexByte(b, '\\') < 0 {
		return string(b)
	}
	var s strings.Builder
	for i := 0; i < len(b); i++ {
		if b[i] != '\\' || i+1 == len(b) {
			s.WriteByte(b[i])
			continue
		}
		i++
		switch b[i] {
		case 'n', 'r', 't', 'b', 'f':
			s.WriteByte(' ')
		case 'u':
			var r rune
			for k := 1; k <= 4 && i+k < len(b); k++ {
				r = r<<4 | rune(hexValue(b[i+k]))
			}
			i += 4
			s.WriteRune(r)
		default:
			s.WriteByte(b[i])
		}
	}
	return s.String()
}

func hexValue(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c|0x20 >= 'a' && c|0x20 <= 'f':
		return int(c|0x20-'a') + 10
	}
	return 0
}

// jsonScanner walks over one line without building values.
type jsonScanner struct {
	b []byte
	i int
}

func (p *jsonScanner) blank() {
	for p.i < len(p.b) && (p.b[p.i] == ' ' || p.b[p.i] == '\t') {
		p.i++
	}
}

func (p *jsonScanner) take(c byte) bool {
	p.blank()
	if p.i < len(p.b) && p.b[p.i] == c {
		p.i++
		return true
	}
	return false
}

// object calls member for each member of the object that is the whole line.
func (p *jsonScanner) object(member func(key, value []byte)) bool {
	if !p.take('{') {
		return false
	}
	for first := true; !p.take('}'); first = false {
		if !first && !p.take(',') {
			return false
		}
		p.blank()
		key, ok := p.str()
		if !ok || !p.take(':') {
			return false
		}
		p.blank()
		value, ok := p.value()
		if !ok {
			return false
		}
		member(key[1:len(key)-1], value)
	}
	p.blank()
	return p.i == len(p.b)
}

// str returns a string with its quotes.
func (p *jsonScanner) str() ([]byte, bool) {
	start := p.i
	if p.i >= len(p.b) || p.b[p.i] != '"' {
		return nil, false
	}
	for p.i++; p.i < len(p.b); p.i++ {
		switch p.b[p.i] {
		case '\\':
			p.i++
		case '"':
			p.i++
			return p.b[start:p.i], true
		}
	}
	return nil, false
}

// value returns a value's text; nested ones are skipped by their brackets.
func (p *jsonScanner) value() ([]byte, bool) {
	start, depth := p.i, 0
	for p.i < len(p.b) {
		switch c := p.b[p.i]; c {
		case '"':
			if _, ok := p.str(); !ok {
				return nil, false
			}
			if depth == 0 {
				return p.b[start:p.i], true
			}
			continue
		case '{', '[':
			depth++
		case '}', ']':
			if depth == 0 {
				return bytes.TrimRight(p.b[start:p.i], " \t"), p.i > start
			}
			if depth--; depth == 0 {
				p.i++
				return p.b[start:p.i], true
			}
		case ',':
			if depth == 0 {
				return bytes.TrimRight(p.b[start:p.i], " \t"), p.i > start
			}
		}
		p.i++
	}
	return nil, false
}
