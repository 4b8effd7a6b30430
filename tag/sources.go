package tag

import (
	"sort"
	"strings"

	"capd.example/record"
)

// FromHeader makes claims from the `key: value` lines ahead of a log's table. Keys that
// are tag names count as they are, whatever their case; mapping adds the reviewer's own
// (heading key = tag name), which goes before.
func FromHeader(header map[string]string, mapping map[string]string) []record.Claim {
	name := make(map[string]string, len(known)+len(mapping))
	for _, n := range known {
		name[n] = n
	}
	for key, n := range mapping {
		name[strings.ToLower(clean(key))] = n
	}
	keys := make([]string, 0, len(header))
	for k := range header {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	var claims []record.Claim
	for _, k := range keys {
		n, v := name[strings.ToLower(clean(k))], clean(header[k])
		if n == "" || v == "" {
			continue
		}
		if n == record.TagPass {
			v = ordinal(v)
		}
		claims = append(claims, record.Claim{Name: n, Value: v, From: record.FromHeader, Detail: "header " + clean(k)})
	}
	return claims
}

// FromSystem makes claims from the detected bench: processor, graphics card, driver. What
// could not be read makes none.
func FromSystem(s record.System) []record.Claim {
	var claims []record.Claim
	for _, f := range []struct{ tag, field string }{
		{record.TagProcessor, record.FieldProcessorName},
		{record.TagGraphics, record.FieldGraphicsName},
		{record.TagDriver, record.FieldGraphicsDriver},
	} {
		got, ok := s.Get(f.field)
		if v := clean(got.Value); ok && v != "" {
			claims = append(claims, record.Claim{Name: f.tag, Value: v, From: record.FromDetected, Detail: f.field})
		}
	}
	return claims
}

// FromFixed makes claims from the tags that the configuration sets for every pass of a
// bench. They rank with the plan: a default that every closer look at the log or the
// bench overrides, so that a line forgotten in a file cannot hide a swapped part.
func FromFixed(fixed map[string]string) []record.Claim {
	names := make([]string, 0, len(fixed))
	for n := range fixed {
		names = append(names, n)
	}
	sort.Strings(names)
	var claims []record.Claim
	for _, n := range names {
		if v := clean(fixed[n]); v != "" {
			claims = append(claims, record.Claim{Name: n, Value: v, From: record.FromPlan, Detail: "configuration tags.fixed"})
		}
	}
	return claims
}

// FromHand makes claims from what the reviewer said; why is kept as the detail.
func FromHand(said map[string]string, why string) []record.Claim {
	names := make([]string, 0, len(said))
	for n := range said {
		names = append(names, n)
	}
	sort.Strings(names)
	claims := make([]record.Claim, 0, len(names))
	for _, n := range names {
		claims = append(claims, record.Claim{Name: n, Value: clean(said[n]), From: record.FromHand, Detail: why})
	}
	return claims
}

// FromProgram claims the game from the program that ran in front or worked most while the
// log grew. Only a program that an alias of the tag game knows makes a claim: a bare file
// name would otherwise push aside the name in the path.
func FromProgram(program string, aliases Aliases) ([]record.Claim, Match) {
	base := program[strings.LastIndexByte(slashes(program), '/')+1:]
	short, match := aliases.Short(record.TagGame, base)
	if match.Kind != Exact && match.Kind != Pattern {
		return nil, match
	}
	return []record.Claim{{Name: record.TagGame, Value: short, From: record.FromDetected,
		Detail: "program " + clean(base)}}, match
}
