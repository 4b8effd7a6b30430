package summary

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/variance"
	"capd.example/record"
)

// most is by how much two parts differ at most, whichever is ahead.
func (c Claim) most() float64 {
	return math.Max(float64(c.High), math.Expm1(-math.Log1p(float64(c.Low))))
}

// steps says which parts that follow each other in the ranking are hardly apart, and where the
// largest step is, if it is certainly larger than every other.
func (w *writer) steps(setting, by string) {
	rows, levels := w.m.Common(by, w.fixed(setting))
	order := w.m.Ranked(analysis.Average, by, levels, rows)
	if len(order) < 3 {
		return
	}
	slices.Reverse(order)
	var near []string
	var nearClaims, all []Claim
	widest, large := 0.0, 0
	for i := range order[1:] {
		c := w.m.Contrast(analysis.Average, by, order[i+1], order[i], rows)
		if !c.Known() {
			return
		}
		k := w.claim(c, w.meansLevel(len(levels)))
		all = append(all, k)
		if m := k.most(); m <= hardly {
			near = append(near, order[i]+" and "+order[i+1])
			nearClaims, widest = append(nearClaims, k), math.Max(widest, m)
		}
		if k.Low > all[large].Low {
			large = i
		}
	}
	if len(near) > 0 && len(near) < len(all) { // else the lead says it
		w.say(5, "step", "margins", capital(fmt.Sprintf("%s%s hardly differ: by at most %s %%.", w.at(setting),
			strings.Join(near, ", and "), bound(widest))), nearClaims...)
	}
	rest := 0.0
	for i, k := range all {
		if i != large {
			rest = math.Max(rest, k.most())
		}
	}
	if k := all[large]; float64(k.Low) > rest+hardly {
		c := w.m.Contrast(analysis.Average, by, k.A, k.B, rows)
		w.say(5, "step", "margins", capital(fmt.Sprintf("%sthe largest step is from %s to %s: %s %% (%s); every other is at most %s %%.",
			w.at(setting), k.B, k.A, percent(c.Ratio(), k.Low, k.High), span(k.Low, k.High), bound(rest))), all...)
	}
}

// games says between which games the lead of the first over the last ranges, where it certainly
// does, in the setting in which it does most.
func (w *writer) games(by string) {
	if by != record.TagGraphics {
		return // single games are compared by cards
	}
	all := len(w.m.Levels(by))
	text, most := "", analysis.Number(0)
	var claims []Claim
	for _, setting := range w.set {
		rows, levels := w.m.Common(by, w.fixed(setting))
		order := w.m.Ranked(analysis.Average, by, levels, rows)
		if len(order) < 2 {
			continue
		}
		type lead struct {
			game string
			of   analysis.Contrast
			k    Claim
		}
		var list []lead
		for _, game := range w.m.Levels(record.TagGame) {
			own := slices.DeleteFunc(slices.Clone(rows), func(r map[string]string) bool { return r[record.TagGame] != game })
			c := w.m.Contrast(analysis.Average, by, order[0], order[len(order)-1], own)
			if len(own) > 0 && c.Known() {
				list = append(list, lead{game, c, w.claim(c, w.gameLevel(all))})
			}
		}
		if len(list) < 2 {
			continue
		}
		slices.SortStableFunc(list, func(a, b lead) int { return cmp.Compare(a.of.Log, b.of.Log) })
		low, high := list[0], list[len(list)-1]
		if apart := high.k.Low - low.k.High; apart > hardly && apart > most {
			most, claims = apart, []Claim{low.k, high.k}
			text = fmt.Sprintf("%swhat %s has over %s depends on the game: %s %% in %s (%s), %s %% in %s (%s).", w.at(setting),
				low.of.A, low.of.B, percent(low.of.Ratio(), low.k.Low, low.k.High), low.game, span(low.k.Low, low.k.High),
				percent(high.of.Ratio(), high.k.Low, high.k.High), high.game, span(high.k.Low, high.k.High))
		}
	}
	if text != "" {
		w.say(4, "games", "margins", capital(text), claims...)
	}
}

// heavier says what the heaviest setting costs against the lightest, with the first part and
// with the last.
func (w *writer) heavier(by string) {
	if len(w.set) < 2 {
		return
	}
	rows, levels := w.m.Common(by, nil)
	order := w.m.Ranked(analysis.Average, by, levels, rows)
	if len(order) == 0 {
		return
	}
	ends := []string{order[0], order[len(order)-1]}
	l := oneOf(settings, float64(len(w.m.Levels(by)))*pairs(len(w.set)))
	var said []string
	var claims []Claim
	light, heavy := "", ""
	for _, part := range slices.Compact(ends) {
		rows, sets := w.m.Common(w.factor, map[string]string{by: part})
		ranked := w.m.Ranked(analysis.Average, w.factor, sets, rows)
		if len(ranked) < 2 {
			return
		}
		if light == "" {
			light, heavy = ranked[0], ranked[len(ranked)-1]
		}
		if !slices.Contains(ranked, light) || !slices.Contains(ranked, heavy) {
			return
		}
		c := w.m.Contrast(analysis.Average, w.factor, heavy, light, rows)
		if !c.Known() {
			return
		}
		k := w.claim(c, l)
		if k.High >= 0 {
			return
		}
		claims = append(claims, k)
		of := ""
		if len(said) == 0 {
			of = " of the rate that " + light + " has"
		}
		said = append(said, fmt.Sprintf("%.1f %%%s with %s (%s)", -100*float64(c.Ratio()), of, part, span(-k.High, -k.Low)))
	}
	w.say(5, "setting", "cells", fmt.Sprintf("%s costs %s.", capital(heavy), list(said)), claims...)
}

// held says with which parts the highest rate that any of them holds is held everywhere, by the
// cells that hold it for certain.
func (w *writer) held(by string, certain map[float64]map[string]Claim) {
	for _, setting := range w.set {
		for _, hz := range slices.Backward(slices.Sorted(slices.Values(w.RefreshHz))) {
			var with []string
			var claims []Claim
			all, least := 0, math.MaxInt
			for _, part := range w.m.Levels(by) {
				var own []Claim
				cells := 0
				for _, c := range w.m.Cells {
					if c.Factors[by] != part || setting != "" && c.Factors[w.factor] != setting {
						continue
					}
					cells++
					if k, ok := certain[hz][analysis.FactorKey(c.Factors, w.Factors)]; ok {
						own = append(own, k)
					}
				}
				if all += min(cells, 1); cells > 0 && len(own) == cells {
					with, claims, least = append(with, part), append(claims, own...), min(least, cells)
				}
			}
			if len(with) == 0 {
				continue
			}
			parts := "with " + list(with)
			if len(with) == all && all > 1 {
				parts = "with each of the " + record.Count(all, part(by))
			}
			if least > 1 { // what is said of one cell the tables show
				w.say(6, "held", "holds", capital(fmt.Sprintf("%s%g FPS are held on average in everything measured %s.",
					w.at(setting), hz, parts)), claims...)
			}
			break
		}
	}
}

// part is a factor in words.
func part(by string) string {
	switch by {
	case record.TagGraphics:
		return "card"
	case record.TagProcessor:
		return "processor"
	}
	return by
}

// scatter says how much passes and sessions differ: what every range here comes from.
func (w *writer) scatter() {
	var own []float64
	sessions := 0.0
	for _, c := range w.m.Cells {
		f := c.Figure(analysis.Average)
		if f.Spread.SD > 0 {
			own = append(own, float64(f.Spread.SD))
		}
		if f.Basis() == nil {
			continue
		}
		p := variance.Of(variance.Term{Of: f.Basis(), Weight: 1})
		if p.BothKnown() && p.Sessions.SD > float64(f.Spread.SD)/2 { // a smaller one is hardly known
			sessions = p.Sessions.SD
		}
	}
	if len(own) == 0 {
		return
	}
	text := fmt.Sprintf("Passes of a cell scatter by %.2g %%", 100*float64(analysis.Median(own)))
	if most := slices.Max(own); most > 1.5*float64(analysis.Median(own)) { // else they are much alike
		text += fmt.Sprintf(" in the median of %s and by %.2g %% in the noisiest", record.Count(len(own), "cell"), 100*most)
	}
	if sessions > 0 {
		text += fmt.Sprintf(", and a rebuild or another day shifts rates by %.2g %%", 100*sessions)
	}
	w.say(6, "scatter", "methods", text+" (standard deviations, as measured here).")
}
