package checkup

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"capd.example/config"
	"capd.example/internal/logbook"
	"capd.example/record"
	"capd.example/tag"
)

// settings reports what is wrong with the configuration, all of it.
func (l *looker) settings() {
	const subject = "configuration"
	for _, err := range l.Wrong {
		l.wrong(subject, err.Error(), "the agent does not start with it", "correct the setting in "+l.place()+"; 'capd check --settings' prints all with their meaning")
	}
	if len(l.Wrong) == 0 && l.c.From != "" {
		l.ok(subject, "%s", l.c.From)
	} else if len(l.Wrong) == 0 {
		l.note(subject, "there is no file; the defaults hold", "the agent watches "+l.c.Watch, "put your settings into "+config.DefaultFile()+"; 'capd check --settings' prints all with their meaning")
	}
	if len(l.c.Tags.Paths) == 0 {
		l.note("tags", "tags.paths is empty", "game, resolution, preset and pass are unknown unless a log's heading names them", `add path templates to `+l.place()+`, such as paths = ["{game}/{resolution}-{preset}/pass{pass}.csv"]`)
	}
}

// campaign reports whether the plan can be read, and what of a log only the plan's position
// tells.
func (l *looker) campaign() {
	const subject = "campaign"
	if l.c.Campaign == "" {
		return
	}
	book, err := logbook.Open(l.c.Campaign)
	if err != nil {
		l.wrong(subject, err.Error(), "the agent does not start with it", "correct the campaign file, or 'campaign' in "+l.place())
		return
	}
	l.ok(subject, "%s: %s, %s each", book.Campaign.Name, record.Count(book.Plan.Len(), "cell"), record.Count(book.Campaign.Passes, "pass"))
	if rest := unnamed(book, l.c.Tags); len(rest) > 0 {
		l.note(subject, fmt.Sprintf("nothing but the plan's position tells %s", strings.Join(rest, ", ")), "a pass that is recorded out of turn is taken for another cell, unless the log's heading or program says it", "add {"+rest[0]+"} to a path template in "+l.place())
	}
	for _, name := range slices.Sorted(maps.Keys(l.c.Tags.Fixed)) {
		f, is := book.Campaign.Factor(name)
		if !is {
			continue
		}
		if short, _ := book.Aliases.Short(name, l.c.Tags.Fixed[name]); !slices.Contains(f.Levels, short) {
			l.wrong(subject, fmt.Sprintf("tags.fixed.%s: the campaign has no level %q; it has %s", name, l.c.Tags.Fixed[name], strings.Join(f.Levels, ", ")),
				"no pass of this bench belongs to any cell", "correct tags.fixed."+name+" in "+l.place()+", or the campaign")
		}
	}
}

// unnamed lists the factors of a campaign that neither detection nor a path tells.
func unnamed(book *logbook.Book, tags config.Tags) (rest []string) {
	known := []string{record.TagProcessor, record.TagGraphics, record.TagDriver}
	if templates, err := tag.ParseTemplates(tags.Paths); err == nil {
		for _, t := range templates {
			known = append(known, t.Names()...)
		}
	}
	known = append(known, slices.Collect(maps.Values(tags.Header))...)
	known = append(known, slices.Collect(maps.Keys(tags.Fixed))...)
	for _, f := range book.Campaign.Factors {
		if len(f.Levels) > 1 && !slices.Contains(known, f.Name) {
			rest = append(rest, f.Name)
		}
	}
	return rest
}
