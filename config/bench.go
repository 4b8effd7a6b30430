package config

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// System describes the bench where no machine can tell, and what must be so.
type System struct {
	Declared map[string]string `toml:"declared" comment:"what no machine tells, as field = value: cooler, case, paste, room, or a field that 'capctl system show' lists as unknown"`
	Must     map[string]string `toml:"must" comment:"what must be, as field = value, 'not value', '>= number' or '<= number': a violation is a finding"`
}

func (s System) check(w *wrong) {
	for _, q := range []struct {
		table string
		m     map[string]string
	}{{"declared", s.Declared}, {"must", s.Must}} {
		for _, n := range slices.Sorted(maps.Keys(q.m)) {
			switch {
			case strings.TrimSpace(n) == "" || strings.ContainsAny(n, " \t\n"):
				w.add(fmt.Sprintf("system.%s.%q", q.table, n),
					"is not the name of a field: use letters, digits, dots and underscores")
			case strings.TrimSpace(q.m[n]) == "":
				w.add("system."+q.table+"."+n, "is empty: give a value or take the line out")
			}
		}
	}
}
