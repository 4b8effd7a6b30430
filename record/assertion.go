package record

import (
	"sort"
	"strconv"
	"strings"
)

// Violation is one assertion about the bench that does not hold.
type Violation struct {
	Name string // of the field
	Must string // the assertion as it was written
	Is   Field  // what was detected; unknown where it could not be read
}

// Violations checks what the reviewer asserts about a bench: field name to what must be.
// An assertion is a text that must equal the value, with or without its unit and in any
// case ("6000", "6000 MT/s", "off"); "not X" for anything known but X; or ">= N" and
// "<= N" for a number. A field that is unknown violates every assertion, since it cannot
// be shown to hold. Violations are listed in order of their names.
func Violations(s System, must map[string]string) []Violation {
	var out []Violation
	for name, want := range must {
		f, known := s.Get(name)
		if !known || !holds(f, want) {
			out = append(out, Violation{Name: name, Must: want, Is: f})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out
}

func holds(f Field, want string) bool {
	want = strings.TrimSpace(want)
	if x, ok := strings.CutPrefix(want, ">="); ok {
		return compare(f, x, func(is, bound float64) bool { return is >= bound })
	}
	if x, ok := strings.CutPrefix(want, "<="); ok {
		return compare(f, x, func(is, bound float64) bool { return is <= bound })
	}
	if x, ok := strings.CutPrefix(want, "not "); ok {
		return !same(f, x)
	}
	return same(f, want)
}

func same(f Field, want string) bool {
	want = strings.TrimSpace(want)
	return strings.EqualFold(f.Value, want) || f.Unit != "" && strings.EqualFold(f.Value+" "+f.Unit, want) ||
		compare(f, want, func(is, bound float64) bool { return is == bound })
}

// compare reads both as numbers; a text that is none never holds.
func compare(f Field, text string, ok func(is, bound float64) bool) bool {
	text = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), f.Unit))
	bound, err1 := strconv.ParseFloat(text, 64)
	is, err2 := strconv.ParseFloat(f.Value, 64)
	return err1 == nil && err2 == nil && ok(is, bound)
}
