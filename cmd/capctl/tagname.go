package main

import (
	"fmt"
	"maps"
	"slices"

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
		if like := safe.Nearest(name, known); like != "" && !meant {
			return cli.UsageError(fmt.Errorf("no pass has a tag %q; do you mean %q?", name, like),
				fmt.Sprintf("to use %q as a new tag, add --new", name))
		}
		safe.Fprintf(a.stderr, "capctl: note: %q is a new tag\n", name)
	}
	return nil
}

// knownNames gathers the names of tags that the program, the configuration, the campaign
// or a stored pass uses.
func knownNames(a *app, s *store.Store) (map[string]bool, error) {
	known := map[string]bool{record.TagPass: true, record.TagCampaign: true, record.TagDriver: true,
		record.TagSession: true}
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
