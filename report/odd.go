package report

import (
	"fmt"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/record"
)

// whyUntested says why no cell could be tested against the others; "" where some could.
func (r *Report) whyUntested() string {
	switch {
	case r.Odd.Tested > 0:
		return ""
	case len(r.Odd.Outside) == 0:
		return "there is none"
	}
	return strings.Join(r.Odd.Outside, "; ")
}

// bounds says how many cells are limited by what.
func (r *Report) bounds() string {
	n := map[analysis.Regime]int{}
	for _, l := range r.Limits {
		n[l.Limit]++
	}
	var parts []string
	for _, b := range []analysis.Regime{analysis.ByProcessor, analysis.ByGraphics, analysis.ByBoth, limit.ByCap,
		limit.Unknown} {
		if n[b] > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", b, n[b]))
		}
	}
	return strings.Join(parts, ", ")
}

// calls says how many margins are called what.
func (r *Report) calls() string {
	n := map[compare.Call]int{}
	for _, m := range r.Margins {
		n[m.Call]++
	}
	var parts []string
	for _, c := range []struct {
		call compare.Call
		text string
	}{{compare.Faster, "faster"}, {compare.Slower, "slower"}, {compare.Tie, "no difference"},
		{compare.Undecided, "not certain"}} {
		if n[c.call] > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", c.text, n[c.call]))
		}
	}
	return record.Count(len(r.Margins), "margin") + ": " + strings.Join(parts, ", ")
}
