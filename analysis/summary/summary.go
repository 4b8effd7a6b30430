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
	"capd.example/stats"
)

// Sentence is one thing that a campaign shows.
type Sentence struct {
	Topic  string  `json:"topic"`
	Text   string  `json:"text"`
	Table  string  `json:"table"` // that holds its figures: cells, margins, limits, odd, value, holds, ready
	Claims []Claim `json:"claims,omitempty"`

	weight int // what is left out first where there are too many has the highest
}

// Input is what sentences are made of.
type Input struct {
	Cells   []analysis.Cell
	Factors []string // that make a cell, in their order
	Options analysis.Options
	Limits  []Limited // of the cells
	Odd     []Suspect // the most certain first
	// Tested is how many cells could be held against the others, Untested how many not; nobody
	// looked where both are 0.
	Tested, Untested int
	Prices           []Price
	// PriceBy is the factor whose parts have prices.
	PriceBy   string
	RefreshHz []float64
	Open      string // which cells were not measured, in words; "" for none
	Doubts    []string
}

// Limited says which part limits a cell, and the interval of the processor's share.
type Limited struct {
	Factors   map[string]string
	By        analysis.Regime
	Low, High analysis.Number
}

// certain reports whether the share is on the side of the word.
func (l Limited) certain() bool {
	return l.By == analysis.ByProcessor && l.Low > 0.5 || l.By == analysis.ByGraphics && l.High < 0.5
}

// Suspect is an odd cell, and why it is.
type Suspect struct {
	Factors map[string]string
	Why     string
}

// Price is what a part costs.
type Price struct {
	Part, Currency string
	Amount         float64
}

// The chance that any sentence of a campaign is false is 5 %, shared between what is picked
// from: means over games, with each setting and over all, parts in single games, processors with
// each card, refresh rates, what a heavier setting costs, and the value of parts that are not
// those of the means. Odd cells have their own one per cent (package oddcell).
var shares = map[share]float64{means: 0.0150, games: 0.0050, processors: 0.0100, rates: 0.0050, settings: 0.0025,
	value: 0.0025}

type share string

const (
	means      share = "means"
	games      share = "games"
	processors share = "processors"
	rates      share = "rates"
	settings   share = "settings"
	value      share = "value"
)

// level is the part of a share that one comparison has.
type level struct {
	of   share
	size float64
}

// oneOf is the level of each of n comparisons that share a chance evenly.
func oneOf(s share, n float64) level { return level{s, shares[s] / math.Max(1, n)} }

// Conventions.
const (
	mostSentences = 20
	hardly        = 0.03 // parts that lie within this hardly matter
	matters       = 0.03 // a part that gives this much more does
	each          = 3    // sentences of one topic at the most
)

// Write returns the sentences, the weightiest first; none where no cell has a figure.
func Write(in Input) []Sentence {
	w := writer{Input: in}
	return w.write()
}

func (w *writer) write() []Sentence {
	w.m = analysis.NewMatrix(w.Cells, w.Factors)
	if len(w.m.Cells) == 0 {
		return nil
	}
	w.played = len(w.m.Levels(record.TagGame))
	w.settings()
	w.scope()
	by := w.leading()
	if len(w.set) > 1 {
		w.lead("", by)
	}
	for _, s := range w.set {
		w.lead(s, by)
	}
	for _, s := range w.set {
		w.steps(s, by)
	}
	for _, s := range w.set {
		w.processors(s)
	}
	w.alike()
	w.reversed()
	w.games(by)
	w.heavier(by)
	w.value()
	w.rates()
	w.limits()
	w.odd()
	w.rest()
	return w.best()
}

type writer struct {
	Input
	m      *analysis.Matrix
	factor string   // whose levels are told apart: resolution, else preset
	set    []string // its levels; one that is "" where neither varies
	played int      // number of games
	out    []Sentence
	covers map[variance.Covers]bool
	differ bool // sessions are known to, and ranges rest on that

	// spend is told of what the chance of error goes to: for each figure and rows the factor whose
	// levels are compared, "" for one cell by itself, at which level. It is nil but in tests.
	spend func(family, by string, l level)
}

// leading is the factor whose levels are ranked: the card, or the processor where there is one
// card.
func (w *writer) leading() string {
	if len(w.m.Levels(record.TagGraphics)) < 2 {
		return record.TagProcessor
	}
	return record.TagGraphics
}

// claim is the interval of a contrast at a level of error.
func (w *writer) claim(c analysis.Contrast, l level) Claim {
	if w.spend != nil {
		family := c.Metric + c.By
		for _, r := range c.Rows {
			family += analysis.FactorKey(r, w.Factors)
		}
		w.spend(family, c.By, l)
	}
	w.differ = w.differ || c.Precision.BothKnown()
	return claim(c, l.size)
}

// meansLevel is the level of a mean over games: of each pair of levels, with each setting and
// over all of them, on average and by the 1% low.
func (w *writer) meansLevel(levels int) level {
	sets := len(w.set)
	if sets > 1 {
		sets++
	}
	return oneOf(means, 2*float64(sets)*pairs(levels))
}

// say adds a sentence. Which cells its ratios are means over is added here, so that none is taken
// for the ratio in each of them.
func (w *writer) say(weight int, topic, table, text string, claims ...Claim) {
	if w.covers == nil {
		w.covers = map[variance.Covers]bool{}
	}
	if mean := w.meanOf(claims); mean != "" {
		text = strings.TrimSuffix(text, ".") + "; " + mean + "."
	}
	for _, c := range claims {
		if c.covers != "" {
			w.covers[c.covers] = true
		}
	}
	w.out = append(w.out, Sentence{Topic: topic, Text: text, Table: table, Claims: claims, weight: weight})
}

// best keeps the weightiest sentences in their order.
func (w *writer) best() []Sentence {
	for len(w.out) > mostSentences {
		worst := 0
		for i, s := range w.out {
			if s.weight >= w.out[worst].weight {
				worst = i
			}
		}
		w.out = slices.Delete(w.out, worst, worst+1)
	}
	return w.out
}

// settings chooses the factor whose levels are told apart.
func (w *writer) settings() {
	for _, f := range []string{record.TagResolution, record.TagPreset} {
		if l := w.m.Levels(f); len(l) > 1 {
			w.factor, w.set = f, l
			return
		}
	}
	w.set = []string{""}
}

func (w *writer) fixed(setting string) map[string]string {
	if w.factor == "" || setting == "" {
		return nil
	}
	return map[string]string{w.factor: setting}
}

// at begins a sentence about a setting.
func (w *writer) at(setting string) string {
	switch {
	case setting == "" && len(w.set) > 1:
		return "Over all " + w.factor + "s "
	case setting == "":
		return ""
	case w.factor == record.TagPreset:
		return "With preset " + setting + " "
	}
	return "At " + setting + " "
}

// capital begins a sentence.
func capital(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// percent prints a ratio, less 1, with as many decimals as its range.
func percent(x, low, high analysis.Number) string {
	return fmt.Sprintf("%.*f", decimals(low, high), 100*float64(x))
}

func decimals(low, high analysis.Number) int {
	if high-low > 0.02 && low > 0.1 {
		return 0
	}
	return 1
}

// span prints the range of a ratio, less 1: outwards, so that no rounding narrows it.
func span(low, high analysis.Number) string {
	n, scale := 1, 1000.0
	if decimals(low, high) == 0 {
		n, scale = 0, 100
	}
	a, b := math.Floor(scale*float64(low))/scale*100, math.Ceil(scale*float64(high))/scale*100
	return fmt.Sprintf("%.*f to %.*f", n, a+0, n, b+0)
}

// bound prints a bound, rounded up.
func bound(x float64) string { return fmt.Sprintf("%.1f", math.Ceil(1000*x)/10) }

func list(names []string) string {
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

// meanOf says what the ratios of claims are means over, "" where they are of single cells or are
// not all means over the same.
func (w *writer) meanOf(claims []Claim) (mean string) {
	first := true
	for _, c := range claims {
		if c.Kind != Ratio {
			continue
		}
		over := w.over(c.Rows, c.By)
		if !first && over != mean {
			return ""
		}
		mean, first = over, false
	}
	return mean
}

// over says what a mean over rows is of.
func (w *writer) over(rows []map[string]string, by string) string {
	var parts []string
	for _, f := range []struct{ name, one string }{{record.TagGame, "game"}, {record.TagProcessor, "processor"},
		{record.TagGraphics, "card"}, {record.TagResolution, "resolution"}, {record.TagPreset, "preset"}} {
		seen := map[string]bool{}
		for _, r := range rows {
			if v := r[f.name]; v != "" {
				seen[v] = true
			}
		}
		if len(seen) > 1 && f.name != by {
			parts = append(parts, record.Count(len(seen), f.one))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return "mean over " + list(parts)
}

func (w *writer) scope() {
	var parts []string
	for _, f := range w.Factors {
		n := len(w.m.Levels(f))
		if n == 0 {
			continue
		}
		if n > 1 {
			parts = append(parts, record.Count(n, part(f)))
		}
	}
	passes, out := 0, 0
	for _, c := range w.m.Cells {
		passes += len(c.Passes.Used)
	}
	for _, c := range w.Cells {
		out += len(c.Passes.LeftOut)
	}
	text := fmt.Sprintf("%s measured in %s", record.Count(len(w.m.Cells), "cell"), record.Count(passes, "pass"))
	if len(parts) > 0 {
		text += ": " + list(parts)
	}
	switch {
	case out == 1:
		text += "; 1 more does not count"
	case out > 1:
		text += fmt.Sprintf("; %d more do not count", out)
	}
	w.say(0, "scope", "cells", text+".")
}

// among says of which parts a sentence speaks, and behind it which it leaves out, "" where it
// speaks of all: one of the others may be better than any.
func (w *writer) among(by string, compared []string) (of, behind string) {
	var out []string
	for _, c := range w.Cells {
		if v := c.Factors[by]; v != "" && !slices.Contains(compared, v) && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	if len(out) == 0 {
		return "", ""
	}
	return fmt.Sprintf("of the %d compared ", len(compared)), "; too little was measured to compare " + list(out)
}

// pairs is the number of comparisons of two levels that could be picked from.
func pairs(n int) float64 { return math.Max(1, float64(n*(n-1)/2)) }

// lead says which part is ahead in a setting, on average and by the 1% low, and how far it is
// from the first to the last.
func (w *writer) lead(setting, by string) {
	rows, levels := w.m.Common(by, w.fixed(setting))
	l := w.meansLevel(len(levels))
	first := w.leader(setting, by, analysis.Average, l, rows, levels, 1)
	if first == "" || setting == "" && len(w.set) > 1 {
		return
	}
	if low := w.m.Ranked(analysis.Low1, by, levels, rows); len(low) > 1 {
		if low[0] != first {
			w.leader(setting, by, analysis.Low1, l, rows, levels, 2)
			return
		}
		c := w.m.Contrast(analysis.Low1, by, low[0], low[1], rows)
		if k := w.claim(c, l); c.Known() && k.Low > 0 {
			of, behind := w.among(by, low)
			w.say(4, "low", "cells", capital(fmt.Sprintf("%s%s%s leads by the 1%% low too: %s %% ahead of %s (%s)%s.",
				w.at(setting), of, first, percent(c.Ratio(), k.Low, k.High), low[1], span(k.Low, k.High), behind)), k)
		}
	}
}

// leader says who leads by a figure, and returns its name where somebody can be named.
func (w *writer) leader(setting, by, metric string, l level, rows []map[string]string, levels []string,
	weight int) string {
	order := w.m.Ranked(metric, by, levels, rows)
	if len(order) < 2 {
		return ""
	}
	first := order[0]
	var claims, all []Claim
	var sharing []string
	widest, next := 0.0, Claim{}
	for i, other := range order[1:] {
		c := w.m.Contrast(metric, by, first, other, rows)
		if !c.Known() {
			return ""
		}
		k := w.claim(c, l)
		if all = append(all, k); i == 0 {
			next = k
		}
		if k.Low <= 0 {
			sharing = append(sharing, other)
			claims = append(claims, k)
			widest = math.Max(widest, k.most())
		}
	}
	figure := ""
	if metric == analysis.Low1 {
		figure = " by the 1% low"
	}
	of, behind := w.among(by, order)
	switch {
	case len(sharing) == 0:
		last := w.m.Contrast(metric, by, first, order[len(order)-1], rows)
		text := fmt.Sprintf("%s leads%s: %s %% ahead of %s (%s)", first, figure,
			percent(w.m.Contrast(metric, by, first, order[1], rows).Ratio(), next.Low, next.High), order[1],
			span(next.Low, next.High))
		if len(order) > 2 {
			k := w.claim(last, l)
			text += fmt.Sprintf(
				", %s %% ahead of the last, %s (%s)",
				percent(last.Ratio(), k.Low, k.High),
				order[len(order)-1],
				span(k.Low, k.High),
			)
		}
		w.say(weight, "lead", "games", w.at(setting)+of+text+behind+".", all...)
	case widest <= hardly:
		w.say(weight, "lead", "games",
			fmt.Sprintf("%s%s%s share the lead%s: none is more than %s %% from %s%s.", w.at(setting), of,
				list(append([]string{first}, sharing...)), figure, bound(widest), first, behind),
			claims...)
	default:
		said := fmt.Sprintf("%s against %s: %s %%", first, sharing[0], span(claims[0].Low, claims[0].High))
		if !(claims[0].High < 1) {
			said = "too little was measured twice to say by how much they may differ"
		}
		w.say(weight, "lead", "games",
			fmt.Sprintf("%s%sit is open who leads%s: %s is first by what was measured, but %s may be level (%s)%s.",
				w.at(setting), of, figure, first, list(sharing), said, behind),
			claims...)
	}
	w.out[len(w.out)-1].Text = capital(w.out[len(w.out)-1].Text)
	return first
}

// processors says up to which card the processor makes hardly a difference, and from which on
// it does.
func (w *writer) processors(setting string) {
	all := w.m.Levels(record.TagProcessor)
	cards := w.m.Levels(record.TagGraphics)
	if len(all) < 2 || len(cards) == 0 {
		return
	}
	l := oneOf(processors, float64(len(w.set)*len(cards))*pairs(len(all)))
	if rows, levels := w.m.Common(record.TagGraphics, w.fixed(setting)); len(levels) > 1 {
		if order := w.m.Ranked(analysis.Average, record.TagGraphics, levels, rows); len(order) > 1 {
			slices.Reverse(order)
			cards = order
		}
	}
	var small []string
	var smallClaims []Claim
	widest, from := 0.0, ""
	var gain Claim
	var gains analysis.Contrast
	for _, card := range cards {
		fixed := map[string]string{record.TagGraphics: card}
		for k, v := range w.fixed(setting) {
			fixed[k] = v
		}
		rows, levels := w.m.Common(record.TagProcessor, fixed)
		order := w.m.Ranked(analysis.Average, record.TagProcessor, levels, rows)
		if len(order) < 2 || len(order) < len(all) {
			continue
		}
		most, claims := w.apart(order, rows, l)
		switch best := w.m.Contrast(analysis.Average, record.TagProcessor, order[0], order[len(order)-1], rows); {
		case most <= hardly && from == "":
			small, smallClaims, widest = append(small, card), append(smallClaims, claims...), math.Max(widest, most)
		case from == "" && best.Known() && w.claim(best, l).Low >= matters:
			from, gains, gain = card, best, w.claim(best, l)
		}
	}
	at := w.at(setting)
	if len(small) > 0 {
		with := "with " + list(small)
		if len(small) > 3 {
			with = fmt.Sprintf("with %d cards, from %s to %s,", len(small), small[0], small[len(small)-1])
		}
		lie := fmt.Sprintf("all %d lie", len(all))
		if len(all) == 2 {
			lie = "both lie"
		}
		w.say(5, "processor", "games",
			capital(fmt.Sprintf("%sthe processor hardly matters %s: %s within %s %% of each other.",
				at, with, lie, bound(widest))),
			smallClaims...)
	}
	if from != "" {
		w.say(3, "processor", "games",
			capital(fmt.Sprintf("%sthe processor matters with %s: %s gives %s %% more than %s (%s).", at,
				from, gains.A, percent(gains.Ratio(), gain.Low, gain.High), gains.B, span(gain.Low, gain.High))),
			gain)
	}
}

// apart returns by how much any two of some processors may differ at most, infinity where that
// is not known of a pair.
func (w *writer) apart(order []string, rows []map[string]string, l level) (most float64, claims []Claim) {
	for i, a := range order {
		for _, b := range order[i+1:] {
			c := w.m.Contrast(analysis.Average, record.TagProcessor, a, b, rows)
			if !c.Known() {
				most = math.Inf(1)
				continue
			}
			k := w.claim(c, l)
			claims = append(claims, k)
			most = math.Max(most, k.most())
		}
	}
	return most, claims
}

// where names a game in a setting.
func (w *writer) where(game, setting string) string {
	text := "in " + game
	if game == "" {
		text = "in all"
	}
	if setting != "" {
		text += " " + strings.TrimSpace(strings.ToLower(w.at(setting)[:1])+w.at(setting)[1:])
	}
	return text
}

func (w *writer) gameLevel(levels int) level {
	return oneOf(games, float64(max(1, w.played)*len(w.set))*pairs(levels))
}

func (w *writer) fixedGame(setting, game string) map[string]string {
	out := map[string]string{}
	for k, v := range w.fixed(setting) {
		out[k] = v
	}
	if game != "" {
		out[record.TagGame] = game
	}
	return out
}

// alike says in which games the card hardly matters.
func (w *writer) alike() {
	type found struct {
		text   string
		most   float64
		claims []Claim
	}
	var list []found
	all := w.m.Levels(record.TagGraphics)
	if len(all) < 2 {
		return
	}
	for _, game := range w.m.Levels(record.TagGame) {
		for _, setting := range w.set {
			rows, levels := w.m.Common(record.TagGraphics, w.fixedGame(setting, game))
			if len(levels) < len(all) || len(rows) == 0 {
				continue
			}
			lie := fmt.Sprintf("all %d lie", len(all))
			if len(all) == 2 {
				lie = "both lie"
			}
			f := found{text: fmt.Sprintf("%s the card hardly matters: %s within", w.where(game, setting), lie)}
			for i, a := range levels {
				for _, b := range levels[i+1:] {
					c := w.m.Contrast(analysis.Average, record.TagGraphics, a, b, rows)
					if !c.Known() {
						f.most = math.Inf(1)
						continue
					}
					k := w.claim(c, w.gameLevel(len(all)))
					f.claims = append(f.claims, k)
					f.most = math.Max(f.most, k.most())
				}
			}
			if f.most <= hardly {
				list = append(list, f)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b found) int { return cmp.Compare(a.most, b.most) })
	for _, f := range list[:min(each, len(list))] {
		w.say(6, "alike", "margins",
			capital(fmt.Sprintf("%s %s %% of each other.", f.text, bound(f.most))),
			f.claims...)
	}
}

// reversed says in which games two cards change places, the largest first.
func (w *writer) reversed() {
	type found struct {
		text        string
		claim, mean Claim
	}
	var list []found
	all := w.m.Levels(record.TagGraphics)
	for _, setting := range w.set {
		rows, levels := w.m.Common(record.TagGraphics, w.fixed(setting))
		order := w.m.Ranked(analysis.Average, record.TagGraphics, levels, rows)
		for i, better := range order {
			for _, lesser := range order[i+1:] {
				mean := w.m.Contrast(analysis.Average, record.TagGraphics, better, lesser, rows)
				k := w.claim(mean, w.meansLevel(len(levels)))
				if !mean.Known() || k.Low <= 0 {
					continue
				}
				for _, game := range w.m.Levels(record.TagGame) {
					own := slices.DeleteFunc(
						slices.Clone(rows),
						func(r map[string]string) bool { return r[record.TagGame] != game },
					)
					c := w.m.Contrast(analysis.Average, record.TagGraphics, lesser, better, own)
					if len(own) == 0 || len(own) == len(rows) || !c.Known() {
						continue
					}
					there := w.claim(c, w.gameLevel(len(all)))
					if there.Low <= analysis.Number(w.tie()) {
						continue
					}
					over := w.over(own, record.TagGraphics)
					if over != "" {
						over = "; " + over
					}
					text := fmt.Sprintf("%s %s is %s %% ahead of %s (%s%s), which is ahead in the %s by %s %% (%s).",
						w.where(game, setting), lesser, percent(c.Ratio(), there.Low, there.High), better,
						span(there.Low, there.High), over, w.over(rows, record.TagGraphics),
						percent(mean.Ratio(), k.Low, k.High), span(k.Low, k.High))
					list = append(list, found{text, there, k})
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b found) int { return cmp.Compare(b.claim.Low, a.claim.Low) })
	for _, f := range list[:min(each, len(list))] {
		w.say(3, "exception", "margins", capital(f.text), f.claim, f.mean)
	}
}

func (w *writer) tie() float64 { return w.Options.WithDefaults().Tie }

// value says which part gives a frame for the least money, where it is shown.
func (w *writer) value() {
	price := map[string]Price{}
	for _, p := range w.Prices {
		price[p.Part] = p
	}
	by := cmp.Or(w.PriceBy, record.TagGraphics)
	for _, setting := range w.set {
		rows, levels := w.m.Common(by, w.fixed(setting))
		l := w.meansLevel(len(levels)) // of the same comparisons as those of the means
		if by != w.leading() {
			l = oneOf(value, float64(len(w.set))*pairs(len(levels)))
		}
		var unpriced []string
		levels = slices.DeleteFunc(levels, func(l string) bool {
			if price[l].Amount > 0 {
				return false
			}
			unpriced = append(unpriced, l)
			return true
		})
		order := w.m.Ranked(analysis.Average, by, levels, rows)
		if len(order) < 2 {
			continue
		}
		cost := map[string]float64{} // per frame, relative
		for _, l := range order {
			cost[l] = math.Log(price[l].Amount) - w.m.Contrast(analysis.Average, by, l, order[0], rows).Log
		}
		slices.SortStableFunc(order, func(a, b string) int { return cmp.Compare(cost[a], cost[b]) })
		var claims []Claim
		least := math.Inf(1) // by which the price of a frame is higher with another part
		for _, other := range order[1:] {
			c := w.m.Contrast(analysis.Average, by, order[0], other, rows)
			if !c.Known() {
				least = 0
				break
			}
			k := w.claim(c, l)
			claims = append(claims, k)
			least = math.Min(least, price[other].Amount/price[order[0]].Amount*(1+float64(k.Low))-1)
		}
		of, behind := w.among(by, append(slices.Clone(order), unpriced...))
		other, or := "any other part", "another, such as "+order[1]
		if len(order) == 2 {
			other, or = order[1], order[1]
		}
		if of != "" || len(unpriced) > 0 {
			of = fmt.Sprintf("of the %d compared ", len(order))
			if len(order) > 2 {
				other = "any other of them"
			}
		}
		if len(unpriced) > 0 {
			of = fmt.Sprintf("of the %d with a price ", len(order))
			behind += "; no price is known of " + list(unpriced)
		}
		if least <= 0 {
			if mean := w.over(rows, by); mean != "" {
				behind += "; " + mean
			}
			w.say(7, "value", "value",
				capital(fmt.Sprintf("%s%sit is open whether a frame costs least with %s or with %s%s.",
					w.at(setting), of, order[0], or, behind)))
			continue
		}
		w.say(2, "value", "value",
			capital(fmt.Sprintf("%s%sa frame costs least with %s; with %s it costs at least %.1f %% more%s.",
				w.at(setting), of, order[0], other, math.Floor(1000*least)/10, behind)),
			claims...)
	}
}

// rates says how many cells hold a refresh rate for certain.
func (w *writer) rates() {
	if len(w.RefreshHz) == 0 {
		return
	}
	l := oneOf(rates, float64(len(w.RefreshHz)*len(w.m.Cells)))
	hz := slices.Sorted(slices.Values(w.RefreshHz))
	certain := map[float64]map[string]Claim{}
	defer func() { w.held(w.leading(), certain) }()
	for _, rate := range hz[:min(each, len(hz))] {
		certain[rate] = map[string]Claim{}
		var claims []Claim
		for _, c := range w.m.Cells {
			f := c.Figure(analysis.Average)
			if f.N == 0 || f.Basis() == nil {
				continue
			}
			p := variance.Of(variance.Term{Of: f.Basis(), Weight: 1})
			if !(p.SE > 0) || !(p.DF > 0) {
				continue
			}
			w.differ = w.differ || p.BothKnown()
			se, df := p.Careful()
			low := math.Exp(f.Log() - stats.TQuantile(1-l.size, df)*se)
			if w.spend != nil {
				w.spend(fmt.Sprint("rate", rate, analysis.FactorKey(c.Factors, w.Factors)), "", l)
			}
			if low >= rate {
				k := Claim{Kind: Rate, Metric: analysis.Average, Cell: c.Factors, Low: analysis.Number(rate),
					High: analysis.Undefined, covers: p.Covers}
				claims = append(claims, k)
				certain[rate][analysis.FactorKey(c.Factors, w.Factors)] = k
			}
		}
		verb := "hold"
		if len(claims) == 1 {
			verb = "holds"
		}
		text := fmt.Sprintf(
			"%d of %s %s %g FPS on average for certain.",
			len(claims),
			record.Count(len(w.m.Cells), "cell"),
			verb,
			rate,
		)
		if len(claims) == 0 {
			text = fmt.Sprintf("No cell holds %g FPS on average for certain.", rate)
		}
		w.say(6, "rate", "holds", text, claims...)
	}
}

// limits counts what limits the cells; nothing where sessions are known to differ, since the
// words of package limit allow for the noise of passes alone.
func (w *writer) limits() {
	if w.differ {
		return
	}
	n := map[analysis.Regime]int{}
	var claims []Claim
	for _, l := range w.Limits {
		if l.certain() {
			n[l.By]++
			claims = append(claims, Claim{Kind: Bound, Cell: l.Factors, A: string(l.By), Low: analysis.Undefined,
				High: analysis.Undefined})
		}
	}
	if len(claims) == 0 {
		return
	}
	text := fmt.Sprintf(
		"The card certainly limits %s and the processor %d",
		record.Count(n[analysis.ByGraphics], "cell"),
		n[analysis.ByProcessor],
	)
	if rest := len(w.Limits) - len(claims); rest > 0 {
		text += fmt.Sprintf("; in the other %d both do, or it cannot be told", rest)
	}
	w.say(4, "limit", "limits", text+".", claims...)
}

func (w *writer) odd() {
	if len(w.Odd) == 0 {
		if w.Tested > 0 {
			text := fmt.Sprintf("None of the %s that could be tested against the others stands out",
				record.Count(w.Tested, "cell"))
			if w.Untested > 0 {
				text += fmt.Sprintf("; %d could not be tested", w.Untested)
			}
			w.say(5, "odd", "odd", text+".")
		}
		return
	}
	var names []string
	var claims []Claim
	for _, x := range w.Odd {
		names = append(names, analysis.NameOf(x.Factors, w.Factors))
		claims = append(claims, Claim{Kind: Wrong, Cell: x.Factors, Low: analysis.Undefined, High: analysis.Undefined})
	}
	text := fmt.Sprintf("%s does not fit in with the others: %s", names[0], strings.TrimRight(w.Odd[0].Why, ". "))
	if len(names) > 1 {
		text = fmt.Sprintf(
			"%d cells do not fit in with the others: %s",
			len(names),
			strings.Join(names[:min(each, len(names))], "; "),
		)
		if len(names) > each {
			text += fmt.Sprintf(" and %d more", len(names)-each)
		}
	}
	w.say(1, "odd", "odd", text+".", claims...)
}

// rest says what was not measured, what is in doubt, and what the ranges hold for.
func (w *writer) rest() {
	if w.Open != "" {
		w.say(1, "open", "ready", capital(w.Open)+".")
	}
	for _, d := range w.Doubts[:min(each, len(w.Doubts))] {
		w.say(2, "doubt", "ready", capital(strings.TrimRight(d, ". "))+".")
	}
	if len(w.covers) == 0 {
		return
	}
	w.scatter()
	text := "The ranges in these sentences are wider than those of the tables: they hold all together, with 95 % confidence"
	if w.covers[variance.CoversSession] {
		text += ", for repeats in the sessions as they were; what a rebuild or another day shifts is not in them"
	} else {
		text += ", after rebuilds, restarts and on other days too"
	}
	w.say(0, "certainty", "methods", text+".")
}
