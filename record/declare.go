package record

import (
	"sort"
	"strings"
)

// Declared adds to a detected system what the reviewer says about the bench, with the
// source "declared", and sets its identity anew. A plain name becomes "bench.NAME"; a
// dotted one fills the field of that name where the machine could not tell it. What was
// detected stays.
func Declared(s System, declared map[string]string) System {
	if len(declared) == 0 {
		return s
	}
	out := System{Fields: append([]Field(nil), s.Fields...)}
	var names []string
	for n := range declared {
		names = append(names, n)
	}
	sort.Strings(names)
	for _, n := range names {
		f := Field{Name: n, Value: declared[n], Source: "declared", Identity: true}
		if !strings.Contains(n, ".") {
			f.Name = "bench." + n
		}
		out.Fields = declareOne(out.Fields, f)
	}
	out.ID = out.Identity()
	return out
}

func declareOne(fields []Field, f Field) []Field {
	for i := range fields {
		if fields[i].Name == f.Name {
			if fields[i].Unknown != "" {
				fields[i] = f
			}
			return fields
		}
	}
	return append(fields, f)
}
