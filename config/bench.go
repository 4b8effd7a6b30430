package config

import (
	"fmt"
	"sort"
	"strings"
)

// System describes the bench where no machine can tell, and what must be so.
type System struct {
	Declared map[string]string `toml:"declared" comment:"what no machine tells, as field = value: cooler, case, paste, room, or a field that 'capctl system show' lists as unknown"`
	Must     map[string]string `toml:"must" comment:"what must be, as field = value, 'not value', '>= number' or '<= number': a violation is a finding"`
}

// check returns the first entry that makes no sense, by its key.
func (s System) check() (key, why string) {
	for _, q := range []struct {
		table string
		m     map[string]string
	}{{"declared", s.Declared}, {"must", s.Must}} {
		var names []string
		for n := range q.m {
			names = append(names, n)
		}
		sort.Strings(names)
		for _, n := range names {
			switch {
			case strings.TrimSpace(n) == "" || strings.ContainsAny(n, " \t\n"):
				return fmt.Sprintf("system.%s.%q", q.table, n), "is not the name of a field: use letters, digits, dots and underscores"
			case strings.TrimSpace(q.m[n]) == "":
				return "system." + q.table + "." + n, "is empty: give a value or take the line out"
			}
		}
	}
	return "", ""
}
