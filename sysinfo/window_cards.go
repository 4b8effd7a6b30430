package sysinfo

import (
	"math"
	"slices"

	"capd.example/record"
)

// attributeCards adds who used the graphics cards. A card on which the measured program
// did not work is not its business and gets no series of others.
func (b *Bench) attributeCards(t *record.Telemetry, rows []int, w cardWindow, game, own []*usage) {
	for _, card := range w.cards() {
		name := record.Numbered(record.SeriesGPUOthers, card)
		isGame := func(l cardLook) bool { return hasPID(game, l.pid) }
		others := func(l cardLook) bool { return !hasPID(game, l.pid) && !hasPID(own, l.pid) }
		if len(game) == 0 {
			t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Unsupported, Text: "which program was measured is not known"})
			continue
		}
		mine := w.share(card, w.from, w.to, isGame)
		all := w.share(card, w.from, w.to, func(cardLook) bool { return true })
		if math.IsNaN(all[engineShading]) {
			t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Absent, Text: "less than half of the window was looked at"})
			continue
		}
		if mine[engineShading] <= 0 {
			if all[engineShading] > 0 {
				t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Unsupported, Text: "the measured program was not seen at work on this card"})
			}
			continue
		}
		b.cardSeries(t, rows, w, card, isGame, others)
	}
	t.Missing = append(t.Missing, w.gaps...)
}

func hasPID(list []*usage, pid int) bool {
	return slices.ContainsFunc(list, func(u *usage) bool { return u.pid == pid })
}

// cardSeries adds the series of one card, one value for each sample.
func (b *Bench) cardSeries(t *record.Telemetry, rows []int, w cardWindow, card int, isGame, others func(cardLook) bool) {
	n := len(rows)
	game, rest, video, hidden, link := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	busyAt := b.ring.index(record.Numbered(record.SeriesGPUBusy, card))
	whole, linked := true, false
	source := ""
	for i, k := range rows {
		z := b.ring.at[k]
		a := z.Add(-seconds(b.ring.span[k]))
		g, o := w.share(card, a, z, isGame), w.share(card, a, z, others)
		game[i] = 100 * max(g[engineShading], g[engineCopy])
		rest[i] = 100 * max(o[engineShading], o[engineCopy])
		video[i] = 100 * o[engineVideo]
		hidden[i], link[i] = math.NaN(), math.NaN()
		if busyAt >= 0 {
			hidden[i] = max(0, b.ring.row(k)[busyAt]-100*min(1, g[engineShading]+o[engineShading]))
		}
		for _, s := range w.spans {
			if s.card != card || overlap(s.since, s.at, a, z) <= 0 {
				continue
			}
			whole, source = whole && s.whole, s.source
			if !math.IsNaN(s.link) {
				link[i], linked = s.link, true
			}
		}
	}
	add := func(name, unit string, values []float64) {
		t.Series = append(t.Series, record.Series{Name: record.Numbered(name, card), Unit: unit, Source: source, Values: values})
	}
	add(record.SeriesGPUGame, "%", game)
	add(record.SeriesGPUOthers, "%", rest)
	add(record.SeriesGPUVideo, "%", video)
	if !whole && busyAt >= 0 {
		add(record.SeriesGPUUnknown, "%", hidden)
	}
	if linked {
		add(record.SeriesGPULink, "B/s", link)
	}
}
