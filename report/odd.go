package report

import (
	"fmt"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
)

// whyUntested says why no cell could be tested against the others; "" where some could.
func (r *Report) whyUntested() string {
	if r.Odd.Tested > 0 {
		return ""
	}
	measured := 0
	for _, c := range r.Cells {
		if c.Figure(analysis.Average).N > 0 {
			measured++
		}
	}
	switch {
	case measured == 0:
		return "no cell has a usable pass"
	case measured == 1:
		return "there is one measured cell alone"
	case len(r.Odd.Models) == 0:
		return fmt.Sprintf("no measured cell names both its processor (tag %s) and its graphics card (tag %s) and is free of a frame cap", record.TagProcessor, record.TagGraphics)
	case r.count(record.TagProcessor) < 2 || r.count(record.TagGraphics) < 2:
		return "it takes at least two processors and two graphics cards, measured with each other"
	}
	var why []string
	games := map[string][]string{}
	for _, m := range r.Odd.Models {
		for _, w := range m.Warnings {
			if games[w] == nil {
				why = append(why, w)
			}
			games[w] = append(games[w], m.Game)
		}
	}
	for i, w := range why {
		if name := strings.Join(games[w], ", "); name != "" {
			why[i] = name + ": " + w
		}
	}
	if len(why) == 0 {
		return "no cell is determined by the others; more processors or graphics cards, measured with each other, would do that"
	}
	return strings.Join(why, "; ")
}

// bounds says how many cells are limited by what.
func (r *Report) bounds() string {
	n := map[analysis.Regime]int{}
	for _, l := range r.Limits {
		n[l.Limit]++
	}
	var parts []string
	for _, b := range []analysis.Regime{analysis.ByProcessor, analysis.ByGraphics, analysis.ByBoth, analysis.ByCap, analysis.Unknown} {
		if n[b] > 0 {
			parts = append(parts, fmt.Sprintf("%s %d", b, n[b]))
		}
	}
	return strings.Join(parts, ", ")
}
