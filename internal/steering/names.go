package steering

import (
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/text"
	"capd.example/tag"
)

// ReviewersNames replaces what machines report by the names of a campaign, "" for none, and says
// where a value is no level of it.
func ReviewersNames(a *cli.Streams, campaign string, tags map[string]string) (map[string]string, error) {
	if campaign == "" {
		return tags, nil
	}
	b, err := logbook.Open(campaign)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	out := map[string]string{}
	for name, value := range tags {
		short, m := b.Aliases.Short(name, value)
		out[name] = short
		f, is := b.Campaign.Factor(name)
		if is && value != "" && m.Kind != tag.Exact && m.Kind != tag.Pattern {
			text.Fprintf(a.Err, "capctl: note: %s has no level %q in the campaign; it has %s\n", name, value, Listed(f.Levels))
		}
	}
	return out, nil
}
