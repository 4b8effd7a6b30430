package analysis

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"capd.example/record"
)

// Mix is one thing in which the passes of a cell were not taken alike, so that their mean
// may be one of unlike things.
type Mix struct {
	What   string         `json:"what"`   // "bench", "system", a field of the system, a tag, or "time"
	Values map[string]int `json:"values"` // what was seen, with the number of passes; of "time" the first days of stretches apart
}

// String says it for people.
func (m Mix) String() string {
	var parts []string
	for v, n := range m.Values {
		if v == "" {
			v = "unknown"
		}
		parts = append(parts, fmt.Sprintf("%s (%d)", v, n))
	}
	slices.Sort(parts)
	if m.What == timeApart {
		return "passes months apart: from " + strings.Join(parts, ", from ")
	}
	return fmt.Sprintf("passes of more than one %s: %s", m.What, strings.Join(parts, ", "))
}

const timeApart = "time"

// Mixed returns in what passes of one cell differ that can change a rate: the bench, the
// fields of the system that are part of its identity, the tags that are neither factors nor
// names, and a time of more than [record.Stretch] between one pass and the next. Where
// systems does not know a system, its identity stands for its fields.
func Mixed(passes []record.Pass, systems map[string]record.System, factors []string) []Mix {
	var out []Mix
	look := func(what string, of func(record.Pass) string) bool {
		seen := map[string]int{}
		for _, p := range passes {
			seen[of(p)]++
		}
		if len(seen) > 1 {
			out = append(out, Mix{what, seen})
		}
		return len(seen) > 1
	}
	look("bench", func(p record.Pass) string { return p.Bench })
	fields, known := unlikeFields(passes, systems)
	told := false
	for _, name := range fields {
		told = look(name, func(p record.Pass) string {
			f, _ := systems[p.System].Get(name)
			return strings.TrimSpace(f.Value + " " + f.Unit)
		}) || told
	}
	if !known || !told {
		look("system", func(p record.Pass) string { return p.System })
	}
	for _, name := range ConditionTags(passes, factors) {
		if name == record.TagDriver && slices.ContainsFunc(fields, func(f string) bool { return strings.HasSuffix(f, ".driver") }) {
			continue
		}
		look(name, func(p record.Pass) string { return p.Tags.Value(name) })
	}
	if days := stretches(passes); len(days) > 1 {
		out = append(out, Mix{timeApart, days})
	}
	return out
}

// unlikeFields names the fields in which the systems of passes differ; known is false where
// a system is not known.
func unlikeFields(passes []record.Pass, systems map[string]record.System) (names []string, known bool) {
	known = true
	var first *record.System
	done := map[string]bool{}
	for _, p := range passes {
		if done[p.System] {
			continue
		}
		done[p.System] = true
		s, ok := systems[p.System]
		if !ok {
			known = false
			continue
		}
		if first == nil {
			first = &s
			continue
		}
		for _, c := range record.Diff(*first, s) {
			if (c.Old.Identity || c.New.Identity) && !slices.Contains(names, c.Name) {
				names = append(names, c.Name)
			}
		}
	}
	slices.Sort(names)
	return names, known
}

// stretches returns the first days of the stretches of time in which passes were taken, and
// how many were.
func stretches(passes []record.Pass) map[string]int {
	out := map[string]int{}
	var last time.Time
	day := ""
	for _, p := range inOrder(passes) {
		if day == "" || p.StartedAt.Sub(last) > record.Stretch {
			day = p.StartedAt.UTC().Format(time.DateOnly)
		}
		out[day]++
		last = p.StartedAt
	}
	return out
}
