package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
)

// checkNames keeps a slip of the pen from becoming a tag: a name that was never used and
// is close to a known one must be meant. The store may be nil where there is none yet.
func checkNames(a *app, s *store.Store, tags map[string]string, meant bool) error {
	known, err := knownNames(a, s)
	if err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(tags)) {
		if known[name] || tags[name] == "" { // taking away makes no name
			continue
		}
		if like := nearest(name, known); like != "" && !meant {
			return cli.UsageError(fmt.Errorf("no pass has a tag %q; do you mean %q?", name, like), fmt.Sprintf("to use %q as a new tag, add --new", name))
		}
		safe.Fprintf(a.stderr, "capctl: note: %q is a new tag\n", name)
	}
	return nil
}

// knownNames gathers the names of tags that the program, the configuration, the campaign
// or a stored pass uses.
func knownNames(a *app, s *store.Store) (map[string]bool, error) {
	known := map[string]bool{record.TagPass: true, record.TagCampaign: true, record.TagDriver: true, record.TagSession: true}
	add := func(names ...string) {
		for _, n := range names {
			known[n] = true
		}
	}
	add(record.CellFactors...)
	if templates, err := tag.ParseTemplates(a.config.Tags.Paths); err == nil {
		for _, t := range templates {
			add(t.Names()...)
		}
	}
	add(slices.Collect(maps.Keys(a.config.Tags.Fixed))...)
	add(slices.Collect(maps.Values(a.config.Tags.Header))...)
	if a.config.Campaign != "" {
		b, err := logbook.Open(a.config.Campaign)
		if err != nil {
			return nil, cli.UsageError(err)
		}
		add(b.Campaign.FactorNames()...)
	}
	if s == nil {
		return known, nil
	}
	rows, err := s.Query(a.ctx, "SELECT DISTINCT name FROM tags")
	if err != nil {
		return nil, cli.FailedError(err)
	}
	defer rows.Close()
	for {
		row, err := rows.Next()
		if err != nil {
			return nil, cli.FailedError(err)
		}
		if row == nil {
			return known, nil
		}
		if name, ok := row[0].(string); ok {
			add(name)
		}
	}
}

// nearest returns the known name that a slip makes out of the given one, "" for none: one
// slip, or two in a name of six letters or more; upper and lower case do not count.
func nearest(name string, known map[string]bool) string {
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
