package sysinfo

import (
	"math"
	"slices"

	"capd.example/record"
	"capd.example/sysinfo/cardusers"
	"capd.example/sysinfo/process"
)

// attributeCards adds who used the graphics cards. A card on which the measured program
// did not work is not its business and gets no series of others.
func (b *Bench) attributeCards(t *record.Telemetry, rows []int, w cardusers.Window, game, own []*process.Usage) {
	for _, card := range w.Cards() {
		name := record.Numbered(record.SeriesGPUOthers, card)
		isGame := func(l cardusers.Look) bool { return hasPID(game, l.PID) }
		others := func(l cardusers.Look) bool { return !hasPID(game, l.PID) && !hasPID(own, l.PID) }
		if len(game) == 0 {
			t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Unsupported,
				Text: "which program was measured is not known"})
			continue
		}
		mine := w.Share(card, w.From, w.To, isGame)
		all := w.Share(card, w.From, w.To, func(cardusers.Look) bool { return true })
		if math.IsNaN(all[cardusers.EngineShading]) {
			t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Absent,
				Text: "less than half of the window was looked at"})
			continue
		}
		if mine[cardusers.EngineShading] <= 0 {
			if all[cardusers.EngineShading] > 0 {
				t.Missing = append(t.Missing, record.Gap{Name: name, Why: record.Unsupported,
					Text: "the measured program was not seen at work on this card"})
			}
			continue
		}
		b.cardSeries(t, rows, w, card, isGame, others)
	}
	t.Missing = append(t.Missing, w.Gaps...)
}

func hasPID(list []*process.Usage, pid int) bool {
	return slices.ContainsFunc(list, func(u *process.Usage) bool { return u.PID == pid })
}

// cardSeries adds the series of one card, one value for each sample.
func (b *Bench) cardSeries(t *record.Telemetry, rows []int, w cardusers.Window, card int, isGame,
	others func(cardusers.Look) bool) {
	n := len(rows)
	game, rest, video, hidden, link := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n),
		make([]float64, n)
	busyAt := b.ring.index(record.Numbered(record.SeriesGPUBusy, card))
	whole, linked := true, false
	source := ""
	for i, k := range rows {
		z := b.ring.at[k]
		a := z.Add(-seconds(b.ring.span[k]))
		g, o := w.Share(card, a, z, isGame), w.Share(card, a, z, others)
		game[i] = 100 * max(g[cardusers.EngineShading], g[cardusers.EngineCopy])
		rest[i] = 100 * max(o[cardusers.EngineShading], o[cardusers.EngineCopy])
		video[i] = 100 * o[cardusers.EngineVideo]
		hidden[i], link[i] = math.NaN(), math.NaN()
		if busyAt >= 0 {
			hidden[i] = max(0, b.ring.row(k)[busyAt]-100*min(1, g[cardusers.EngineShading]+o[cardusers.EngineShading]))
		}
		for _, s := range w.Spans {
			if s.Card != card || cardusers.Overlap(s.Since, s.At, a, z) <= 0 {
				continue
			}
			whole, source = whole && s.Whole, s.Source
			if !math.IsNaN(s.Link) {
				link[i], linked = s.Link, true
			}
		}
	}
	add := func(name, unit string, values []float64) {
		t.Series = append(t.Series, record.Series{Name: record.Numbered(name, card), Unit: unit, Source: source,
			Values: values})
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
