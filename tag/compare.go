package tag

import (
	"regexp"
	"slices"
	"strings"
	"unicode"

	"capd.example/record"
)

// likeness is what can be said of two values of one tag.
type likeness int

const (
	same likeness = iota
	different
	unsure
)

// hardware are the tags whose values machines report in their own words.
var hardware = []string{record.TagProcessor, record.TagGraphics, record.TagDriver}

// compare decides whether two values of a tag mean the same.
//
// Where the aliases know both, their short names decide. Where they know one that has
// reported names of its own, a reported value that is none of these is another part. Else
// only the words are left: equal but for case, spacing and punctuation is the same. A
// reported part that contains the reviewer's words in their order ("Maker Lumen 40 16GB"
// and "Lumen 40") is the same; one of the same family with other numbers ("Maker Lumen 60"
// and "Lumen 40") is different; anything else cannot be told. For all other tags other
// words are a difference, unless one contains the other.
func (a Aliases) compare(x, y record.Claim) likeness {
	sx, mx := a.Short(x.Name, x.Value)
	sy, my := a.Short(y.Name, y.Value)
	switch {
	case mx.knows() && my.knows():
		if sx == sy {
			return same
		}
		return different
	case mx.Kind == Ambiguous || my.Kind == Ambiguous:
		return unsure
	case mx.knows() && my.Kind == Unmatched && y.From == record.FromDetected && a.has(x.Name, sx),
		my.knows() && mx.Kind == Unmatched && x.From == record.FromDetected && a.has(y.Name, sy):
		return different
	}
	if x.Name == record.TagResolution && height(x.Value) != "" && height(x.Value) == height(y.Value) {
		return same
	}
	return words(x.Name, x.Value, y.Value)
}

func words(name, x, y string) likeness {
	a, b := tokens(x), tokens(y)
	if slices.Equal(a, b) {
		return same
	}
	if len(a) > len(b) {
		a, b = b, a
	}
	contained := contains(b, a)
	if !slices.Contains(hardware, name) {
		if contained {
			return unsure
		}
		return different
	}
	if contained {
		return same
	}
	if otherNumbers(a, b) {
		return different
	}
	return unsure
}

// otherNumbers reports whether two names share a word and have no number in common.
func otherNumbers(a, b []string) bool {
	word, numA, numB := false, false, false
	for _, t := range b {
		numB = numB || number(t)
	}
	for _, t := range a {
		if !number(t) {
			word = word || slices.Contains(b, t)
			continue
		}
		numA = true
		if slices.Contains(b, t) {
			return false
		}
	}
	return word && numA && numB
}

func number(token string) bool { return token[0] >= '0' && token[0] <= '9' }

// contains reports whether b lies in a in one piece.
func contains(a, b []string) bool {
	if len(b) == 0 {
		return false
	}
	for i := 0; i+len(b) <= len(a); i++ {
		if slices.Equal(a[i:i+len(b)], b) {
			return true
		}
	}
	return false
}

// tokens splits a name into words and numbers: "Lumen40-X" is lumen, 40, x. A decimal
// point between digits stays, so that 12.5 is one number.
func tokens(s string) []string {
	var out []string
	var cur strings.Builder
	flush := func() {
		if cur.Len() > 0 {
			out = append(out, cur.String())
			cur.Reset()
		}
	}
	kind := 0 // 1 letters, 2 digits
	rs := []rune(fold(s))
	for i, r := range rs {
		k := 0
		switch {
		case r >= '0' && r <= '9':
			k = 2
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			k = 1
		case r == '.' && kind == 2 && i+1 < len(rs) && rs[i+1] >= '0' && rs[i+1] <= '9':
			k = 2
		}
		if k != kind {
			flush()
		}
		if k != 0 {
			cur.WriteRune(r)
		}
		kind = k
	}
	flush()
	return out
}

var (
	sized  = regexp.MustCompile(`^(\d{3,5}) ?[x×] ?(\d{3,5})$`)
	tagged = regexp.MustCompile(`^(\d{3,5})p$`)
)

// height returns the lines of a resolution written as 1920x1080 or 1080p, else "".
func height(s string) string {
	s = fold(s)
	if m := sized.FindStringSubmatch(s); m != nil {
		return m[2]
	}
	if m := tagged.FindStringSubmatch(s); m != nil {
		return m[1]
	}
	return ""
}
