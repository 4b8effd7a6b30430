package results

import (
	"fmt"
	"strings"

	"capd.example/analysis"
	"capd.example/internal/cli"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// Gaps says in one line that a cell is kept apart from others by missing tags alone.
func Gaps(a *cli.Streams, lab bool, cells []analysis.Cell) {
	list := analysis.Gaps(cells)
	if len(list) == 0 {
		return
	}
	g := list[0]
	more := ""
	if n := len(list); n > 1 {
		more = fmt.Sprintf("; the same holds for %s", record.Count(n-1, "cell"))
	}
	a.Say("note: %s of %q without %s may belong to %q%s%s; to fix: %s", record.Count(len(g.Cell.IDs()), "pass"),
		safe.Plain(g.Cell.Name()), strings.Join(g.Missing, ", "), safe.Plain(g.Like[0].Name()), others(len(g.Like)-1), more,
		tagging(lab, g.Cell.IDs(), g.Missing, valuesOf(g)))
}

func others(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf(" or to %s like it", record.Count(n, "cell"))
}

// valuesOf are the tags that would fill a gap, where one cell alone is alike.
func valuesOf(g analysis.Gap) map[string]string {
	if len(g.Like) > 1 {
		return nil
	}
	return g.Like[0].Factors
}

// Untagged hints how passes that lack one of the tags get it.
func Untagged(a *cli.Streams, lab bool, cells []analysis.Cell, tags ...string) {
	for _, t := range tags {
		var ids []string
		for _, c := range cells {
			if v, factor := c.Factors[t]; factor && v == "" {
				ids = append(ids, c.IDs()...)
			}
		}
		if len(ids) > 0 {
			a.Say("hint: %s without %s: %s", record.Count(len(ids), "pass"), t, tagging(lab, ids, []string{t}, nil))
		}
	}
}

// tagging says how passes get tags: by a command that can be typed as it stands, and where
// they are too many for a line, in words. The passes of a lab are corrected on their bench.
func tagging(lab bool, ids, names []string, values map[string]string) string {
	const most = 12
	var tags []string
	for _, n := range names {
		if v := values[n]; v != "" {
			tags = append(tags, cli.Quoted(n)+"="+cli.Quoted(v))
		} else {
			tags = append(tags, cli.Quoted(n)+"=...")
		}
	}
	said := strings.Join(tags, " ")
	switch {
	case lab:
		return "give them " + said + " on their bench, which sends it to the lab"
	case len(ids) > most:
		return fmt.Sprintf("give them %s with 'capctl tag'; the first is %s, and 'capctl passes' lists them", said, ids[0])
	}
	return "capctl tag " + strings.Join(ids, " ") + " " + said
}
