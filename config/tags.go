package config

import (
	"fmt"
	"slices"
	"strings"
)

// sources are the sources of tags; see record.Origin.
var sources = []string{"plan", "path", "header", "detected", "hand"}

// check returns the first key that makes no sense and why.
func (t Tags) check() (key, why string) {
	if len(t.Trust) == 0 {
		return "", ""
	}
	seen := map[string]bool{}
	for _, s := range t.Trust {
		switch {
		case !slices.Contains(sources, s):
			return "tags.trust", fmt.Sprintf("%q is none of %s", s, strings.Join(sources, ", "))
		case seen[s]:
			return "tags.trust", fmt.Sprintf("%q is there twice", s)
		}
		seen[s] = true
	}
	for _, s := range sources {
		if !seen[s] {
			return "tags.trust", fmt.Sprintf("%q is missing: list all of %s", s, strings.Join(sources, ", "))
		}
	}
	return "", ""
}
