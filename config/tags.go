package config

import (
	"slices"
	"strings"
)

// sources are the sources of tags; see record.Origin.
var sources = []string{"plan", "path", "header", "detected", "hand"}

// check returns the first key that makes no sense and why.
func (t Tags) check(w *wrong) {
	if len(t.Trust) == 0 {
		return
	}
	seen := map[string]bool{}
	for _, s := range t.Trust {
		w.where(!slices.Contains(sources, s), "tags.trust", "%q is none of %s", s, strings.Join(sources, ", "))
		w.where(seen[s], "tags.trust", "%q is there twice", s)
		seen[s] = true
	}
	for _, s := range sources {
		w.where(!seen[s], "tags.trust", "%q is missing: list all of %s", s, strings.Join(sources, ", "))
	}
}
