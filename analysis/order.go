package analysis

import (
	"cmp"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

var (
	sized = regexp.MustCompile(`^(\d{2,5}) *[x×] *(\d{2,5})$`)
	lines = regexp.MustCompile(`^(\d{3,5})p$`)
)

// Pixels returns the number of pixels of a resolution written as 1920x1080 or 1080p, which
// stands for sixteen by nine, and whether it is written so.
func Pixels(resolution string) (float64, bool) {
	s := strings.ToLower(strings.TrimSpace(resolution))
	if m := sized.FindStringSubmatch(s); m != nil {
		x, _ := strconv.ParseFloat(m[1], 64)
		y, _ := strconv.ParseFloat(m[2], 64)
		return x * y, x*y > 0
	}
	if m := lines.FindStringSubmatch(s); m != nil {
		y, _ := strconv.ParseFloat(m[1], 64)
		return y * y * 16 / 9, y > 0
	}
	return 0, false
}

// Naturally compares names with the numbers in them by value, so that "x9" comes before
// "x10" and 1280x720 before 1920x1080.
func Naturally(a, b string) int {
	for i, j := 0, 0; ; {
		if i == len(a) || j == len(b) {
			return cmp.Or(cmp.Compare(len(a)-i, len(b)-j), strings.Compare(a, b))
		}
		da, db := digits(a[i:]), digits(b[j:])
		if da > 0 && db > 0 {
			x, y := strings.TrimLeft(a[i:i+da], "0"), strings.TrimLeft(b[j:j+db], "0")
			if d := cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(x, y)); d != 0 {
				return d
			}
			i, j = i+da, j+db
			continue
		}
		if a[i] != b[j] {
			return cmp.Compare(a[i], b[j])
		}
		i, j = i+1, j+1
	}
}

func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// Positions returns where each level of a factor stands, from 0: as [Options.Levels] has them, then
// those that only the cells have, in their natural order. What is measured of the known levels and
// which of the cells are looked at does not change it.
func (o Options) Positions(cells []Cell, factor string) map[string]int {
	levels := slices.Clone(o.Levels[factor])
	for _, c := range cells {
		levels = append(levels, c.Factors[factor])
	}
	slices.SortStableFunc(levels, o.Order(factor))
	out := map[string]int{}
	for _, l := range slices.Compact(levels) {
		if l != "" {
			out[l] = len(out)
		}
	}
	return out
}

// Order returns how the levels of a factor stand: as [Options.Levels] has them, those that it
// does not know after the others in their natural order.
func (o Options) Order(factor string) func(a, b string) int {
	rank := make(map[string]int, len(o.Levels[factor]))
	for i, l := range o.Levels[factor] {
		rank[l] = i + 1
	}
	place := func(level string) int {
		if n, ok := rank[level]; ok {
			return n
		}
		return math.MaxInt
	}
	return func(a, b string) int { return cmp.Or(cmp.Compare(place(a), place(b)), Naturally(a, b)) }
}
