package tree

import "bytes"

// Parsers over bytes that allocate nothing, for what is read every second.

// Word returns the first word of b and what follows it.
func Word(b []byte) (word, rest []byte) {
	i := 0
	for i < len(b) && (b[i] == ' ' || b[i] == '\t') {
		i++
	}
	j := i
	for j < len(b) && b[j] != ' ' && b[j] != '\t' && b[j] != '\n' {
		j++
	}
	return b[i:j], b[j:]
}

// Line returns the first line of b without its end and what follows.
func Line(b []byte) (first, rest []byte) {
	if i := bytes.IndexByte(b, '\n'); i >= 0 {
		return b[:i], b[i+1:]
	}
	return b, nil
}

// Unsigned reads the whole number that b begins with.
func Unsigned(b []byte) (n uint64, ok bool) {
	i := 0
	for i < len(b) && b[i] >= '0' && b[i] <= '9' {
		d := uint64(b[i] - '0')
		if n > (1<<64-1-d)/10 {
			return 0, false
		}
		n = n*10 + d
		i++
	}
	return n, i > 0
}

// Signed is unsigned with an optional minus.
func Signed(b []byte) (int64, bool) {
	minus := len(b) > 0 && b[0] == '-'
	if minus {
		b = b[1:]
	}
	n, ok := Unsigned(b)
	if !ok || n > 1<<63-1 {
		return 0, false
	}
	if minus {
		return -int64(n), true
	}
	return int64(n), true
}

// NextUnsigned reads the next word of b as a whole number.
func NextUnsigned(b []byte) (n uint64, rest []byte, ok bool) {
	w, rest := Word(b)
	n, ok = Unsigned(w)
	return n, rest, ok
}

// Number reads a name of digits alone, up to its zero.
func Number(b []byte) (int, bool) {
	n := 0
	for i, c := range b {
		if c == 0 {
			return n, i > 0
		}
		if c < '0' || c > '9' || n > 1<<30 {
			return 0, false
		}
		n = n*10 + int(c-'0')
	}
	return n, len(b) > 0
}

// WordValue returns the number behind key at the start of a line.
func WordValue(text, key []byte) (uint64, bool) {
	for at := 0; ; {
		i := bytes.Index(text[at:], key)
		if i < 0 {
			return 0, false
		}
		i += at
		if i == 0 || text[i-1] == '\n' {
			v, _, ok := NextUnsigned(text[i+len(key):])
			return v, ok
		}
		at = i + 1
	}
}

// UserHZ is the unit of processor times in /proc: 1/100 s on every system a bench runs.
const UserHZ = 100

// CPUDir holds a folder for each logical processor.
const CPUDir = "/sys/devices/system/cpu"
