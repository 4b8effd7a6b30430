package record

import (
	"slices"
	"strings"
)

// Repeated returns, by identity, the passes that do not count and were recorded again: the
// identity of a later pass with the same number in the same cell and campaign that counts.
// Passes without a number, or of no cell, tell nothing.
func Repeated(passes []Pass, counts func(Verdict) bool) map[string]string {
	good := map[string][]Pass{}
	key := func(p Pass) string {
		var b strings.Builder
		for _, f := range append(slices.Clone(CellFactors), TagCampaign, TagPass) {
			b.WriteString(p.Tags.Value(f) + "\x00")
		}
		return b.String()
	}
	numbered := func(p Pass) bool { return p.Tags.NamesCell() && p.Tags.Value(TagPass) != "" }
	for _, p := range passes {
		if numbered(p) && counts(p.Verdict) {
			good[key(p)] = append(good[key(p)], p)
		}
	}
	out := map[string]string{}
	for _, p := range passes {
		if !numbered(p) || p.Verdict == "" || counts(p.Verdict) {
			continue
		}
		for _, q := range good[key(p)] {
			if q.StartedAt.After(p.StartedAt) {
				out[p.ID] = q.ID
				break
			}
		}
	}
	return out
}
