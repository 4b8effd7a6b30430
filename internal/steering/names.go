package steering

import (
	"fmt"
	"maps"
	"slices"

	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/tag"
)

// ReviewersNames replaces what machines report by the names of a campaign, "" for none. A value
// that is no level of it is refused unless it is meant; tags that name another campaign are not
// of this one.
func ReviewersNames(file string, tags map[string]string, meant bool) (map[string]string, error) {
	if file == "" {
		return tags, nil
	}
	b, err := logbook.Open(file)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	if other := tags[record.TagCampaign]; other != "" && !slices.Contains(b.Campaign.Names(), other) {
		return tags, nil
	}
	out := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(tags)) {
		value := tags[name]
		short, m := b.Aliases.Short(name, value)
		out[name] = short
		f, is := b.Campaign.Factor(name)
		if !is || value == "" || meant || m.Kind == tag.Exact || m.Kind == tag.Pattern {
			continue
		}
		if err := f.Lacks(value); err != nil {
			return nil, cli.UsageError(fmt.Errorf("in the campaign %s %w", b.Campaign.Name, err),
				fmt.Sprintf("to use %q all the same, add --new", value))
		}
	}
	return out, nil
}
