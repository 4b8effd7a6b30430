package tag

import (
	"fmt"
	"sort"
	"strings"
)

// Kind says how a reported name was matched to a short one.
type Kind string

// The kinds of match.
const (
	Exact     Kind = "exact"     // it is the short name or one of its names, but for case and spacing
	Pattern   Kind = "pattern"   // one short name's pattern fits
	Ambiguous Kind = "ambiguous" // several short names claim it
	Unmatched Kind = "unmatched" // the tag has names and none fits
	NoTable   Kind = "no-table"  // nothing is known about this tag
)

// Match is the outcome of [Aliases.Short].
type Match struct {
	Kind       Kind
	Candidates []string // the short names that claim it, where Ambiguous
}

// Aliases knows the reviewer's short names and how machines report them. The zero value
// knows nothing and is ready to use.
type Aliases struct {
	tags map[string]*table
}

type table struct {
	exact    map[string][]string // folded name to short names
	patterns []pattern
	declared map[string]bool // short names that have names of their own
}

type pattern struct{ glob, short string }

// NewAliases builds the table from tag name to short name to the names that machines
// report. A name with * or ? is a pattern for the whole reported name (* any text, ? one
// character). Every short name also stands for itself.
func NewAliases(names map[string]map[string][]string) (Aliases, error) {
	a := Aliases{tags: map[string]*table{}}
	for tagName, shorts := range names {
		t := &table{exact: map[string][]string{}, declared: map[string]bool{}}
		a.tags[tagName] = t
		order := make([]string, 0, len(shorts))
		for s := range shorts {
			order = append(order, s)
		}
		sort.Strings(order)
		for _, s := range order {
			if fold(s) == "" {
				return Aliases{}, fmt.Errorf("aliases of %s: a short name is empty", tagName)
			}
			t.add(s, s)
			for _, n := range shorts[s] {
				switch {
				case fold(n) == "":
					return Aliases{}, fmt.Errorf("aliases of %s %q: an empty name would fit nothing", tagName, s)
				case strings.ContainsAny(n, "*?"):
					t.patterns = append(t.patterns, pattern{fold(n), s})
				default:
					t.add(n, s)
				}
				t.declared[s] = true
			}
		}
	}
	return a, nil
}

func (t *table) add(name, short string) {
	key := fold(name)
	for _, s := range t.exact[key] {
		if s == short {
			return
		}
	}
	t.exact[key] = append(t.exact[key], short)
}

// Short returns the reviewer's short name for a reported one, first by exact name, then by
// pattern. Where Match is neither Exact nor Pattern the reported name comes back as it is.
func (a Aliases) Short(name, reported string) (string, Match) {
	t := a.tags[name]
	if t == nil {
		return reported, Match{Kind: NoTable}
	}
	key := fold(reported)
	if s := t.exact[key]; len(s) > 0 {
		return pick(reported, s, Exact)
	}
	var hits []string
	for _, p := range t.patterns {
		if glob(p.glob, key) && (len(hits) == 0 || hits[len(hits)-1] != p.short) {
			hits = append(hits, p.short)
		}
	}
	if len(hits) == 0 {
		return reported, Match{Kind: Unmatched}
	}
	return pick(reported, hits, Pattern)
}

func pick(reported string, hits []string, kind Kind) (string, Match) {
	if len(hits) > 1 {
		return reported, Match{Kind: Ambiguous, Candidates: hits}
	}
	return hits[0], Match{Kind: kind}
}

// knows reports whether the name was matched.
func (m Match) knows() bool { return m.Kind == Exact || m.Kind == Pattern }

// has reports whether short has names that machines report.
func (a Aliases) has(name, short string) bool {
	t := a.tags[name]
	return t != nil && t.declared[short]
}

// fold makes names comparable that differ in case, spacing or trade-mark signs only.
func fold(s string) string {
	s = strings.ToLower(clean(s))
	for _, mark := range []string{"(r)", "(tm)", "(c)", "\u00ae", "\u2122", "\u00a9"} {
		s = strings.ReplaceAll(s, mark, "")
	}
	return strings.Join(strings.Fields(s), " ")
}

// glob matches the whole of s; it runs in time proportional to the product of the lengths.
func glob(pat, s string) bool {
	p, t := []rune(pat), []rune(s)
	pi, ti, star, mark := 0, 0, -1, 0
	for ti < len(t) {
		switch {
		case pi < len(p) && p[pi] == '*':
			star, mark = pi, ti
			pi++
		case pi < len(p) && (p[pi] == '?' || p[pi] == t[ti]):
			pi++
			ti++
		case star >= 0:
			mark++
			pi, ti = star+1, mark
		default:
			return false
		}
	}
	for pi < len(p) && p[pi] == '*' {
		pi++
	}
	return pi == len(p)
}
