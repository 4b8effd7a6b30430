package text

import (
	"maps"
	"slices"
	"strings"
)

// Nearest returns the known name that a slip makes out of the given one, "" for none: one
// slip, or two in a name of six letters or more; upper and lower case do not count.
func Nearest(name string, known map[string]bool) string {
	best, least := "", 3
	for _, k := range slices.Sorted(maps.Keys(known)) {
		d := slips(strings.ToLower(name), strings.ToLower(k))
		if d < least && (d < 2 || len(k) >= 6) {
			best, least = k, d
		}
	}
	return best
}

// slips counts the letters that must be put in, left out, changed or swapped with their
// neighbour to make one word of another (optimal string alignment distance: Damerau 1964,
// Communications of the ACM 7(3), in its restricted form).
func slips(from, to string) int {
	a, b := []rune(from), []rune(to)
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		d[i][0] = i
	}
	for j := range b {
		d[0][j+1] = j + 1
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}
