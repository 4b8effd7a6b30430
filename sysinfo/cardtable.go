package sysinfo

import (
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"capd.example/record"
)

// cardLook is what one program used of one card between two looks.
type cardLook struct {
	card, pid int
	name      string
	since, at time.Time
	share     [engineCount]float64 // of the time, 0 to 1
	memory    uint64               // bytes of the card's memory, 0 for unknown
	compute   bool                 // holds a compute context
}

// cardSpan is a stretch in which a card's programs were looked at.
type cardSpan struct {
	card      int
	since, at time.Time
	whole     bool    // every program shows, other users' too
	link      float64 // bytes per second over the card's link, NaN for unknown
	source    string
}

// cardReader tells who uses a card. look hands what happened since the look before to
// the table, one span for each card and one look for each program that used it.
type cardReader interface {
	look(now time.Time, t *cardTable)
	close()
}

// cardTable keeps who used the graphics cards. Its readers are asked in turns: what each costs stands in docs/detection.md.
type cardTable struct {
	readers []cardReader
	every   []int // samples between two looks of each reader
	ticks   int
	names   func(pid int) string

	mu    sync.Mutex // guards the rest
	looks []cardLook
	next  int
	spans []cardSpan
	after int
	gaps  map[int]record.Gap // of cards that do not tell
}

func newCardTable(names func(int) string) *cardTable {
	return &cardTable{names: names, looks: make([]cardLook, 4096), spans: make([]cardSpan, 1024), gaps: map[int]record.Gap{}}
}

func (t *cardTable) use(r cardReader, every int) {
	t.readers, t.every = append(t.readers, r), append(t.every, every)
}

func (t *cardTable) label() string { return "use of the cards" }

// look asks the readers whose turn it is.
func (t *cardTable) look(now time.Time) {
	for i, r := range t.readers {
		// Each in a sample of its own; all of them at first, to have something to compare with.
		if t.ticks == 0 || t.ticks%t.every[i] == (1+i)%t.every[i] {
			r.look(now, t)
		}
	}
	t.ticks++
}

func (t *cardTable) close() {
	for _, r := range t.readers {
		r.close()
	}
}

func (t *cardTable) add(l cardLook) {
	t.mu.Lock()
	t.looks[t.next] = l
	t.next = (t.next + 1) % len(t.looks)
	t.mu.Unlock()
}

func (t *cardTable) addSpan(s cardSpan) {
	t.mu.Lock()
	t.spans[t.after] = s
	t.after = (t.after + 1) % len(t.spans)
	delete(t.gaps, s.card)
	t.mu.Unlock()
}

// silent says why a card does not tell who uses it.
func (t *cardTable) silent(card int, why record.Unknown, text string) {
	t.mu.Lock()
	t.gaps[card] = record.Gap{Name: record.Numbered(record.SeriesGPUOthers, card), Why: why, Text: text}
	t.mu.Unlock()
}

// cardWindow is what is known of the cards' use in a stretch of time.
type cardWindow struct {
	from, to time.Time
	looks    []cardLook
	spans    []cardSpan
	gaps     []record.Gap
}

func (t *cardTable) between(from, to time.Time) cardWindow {
	w := cardWindow{from: from, to: to}
	if t == nil {
		return w
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, l := range t.looks {
		if l.at.After(from) && l.since.Before(to) {
			w.looks = append(w.looks, l)
		}
	}
	for _, s := range t.spans {
		if s.at.After(from) && s.since.Before(to) {
			w.spans = append(w.spans, s)
		}
	}
	slices.SortFunc(w.spans, func(a, b cardSpan) int { return a.at.Compare(b.at) })
	for _, g := range t.gaps {
		w.gaps = append(w.gaps, g)
	}
	slices.SortFunc(w.gaps, func(a, b record.Gap) int { return strings.Compare(a.Name, b.Name) })
	return w
}

// cards lists the cards that were looked at.
func (w cardWindow) cards() (list []int) {
	for _, s := range w.spans {
		if !slices.Contains(list, s.card) {
			list = append(list, s.card)
		}
	}
	slices.Sort(list)
	return list
}

// overlap is how long two stretches of time have in common.
func overlap(a, b, from, to time.Time) float64 {
	if a.Before(from) {
		a = from
	}
	if b.After(to) {
		b = to
	}
	return max(0, b.Sub(a).Seconds())
}

// covered returns for how many seconds of [from, to] a card was looked at.
func (w cardWindow) covered(card int, from, to time.Time) float64 {
	sum := 0.0
	for _, s := range w.spans {
		if s.card == card {
			sum += overlap(s.since, s.at, from, to)
		}
	}
	return sum
}

// share returns which part of the looked-at time in [from, to] each engine of a card
// worked for the programs that count; NaN where less than half of the time was looked at.
func (w cardWindow) share(card int, from, to time.Time, counts func(cardLook) bool) (out [engineCount]float64) {
	covered := w.covered(card, from, to)
	if covered <= 0 || covered < 0.5*to.Sub(from).Seconds() {
		for i := range out {
			out[i] = math.NaN()
		}
		return out
	}
	for _, l := range w.looks {
		if l.card != card || !counts(l) {
			continue
		}
		part := overlap(l.since, l.at, from, to) / covered
		for i := range out {
			out[i] += part * l.share[i]
		}
	}
	for i := range out {
		out[i] = min(out[i], 1)
	}
	return out
}

// usedBy returns what one program used of each card over the whole window.
func (w cardWindow) usedBy(pid int) (list []record.CardUse) {
	for _, card := range w.cards() {
		u := record.CardUse{Card: card}
		for _, l := range w.looks {
			if l.card == card && l.pid == pid {
				u.Memory, u.Compute = max(u.Memory, l.memory), u.Compute || l.compute
			}
		}
		covered := w.covered(card, w.from, w.to)
		if covered <= 0 {
			continue
		}
		var sum [engineCount]float64
		for _, l := range w.looks {
			if l.card == card && l.pid == pid {
				for i := range sum {
					sum[i] += l.share[i] * overlap(l.since, l.at, w.from, w.to) / covered
				}
			}
		}
		u.Shading, u.Copy, u.Video = 100*min(sum[engineShading], 1), 100*min(sum[engineCopy], 1), 100*min(sum[engineVideo], 1)
		if u.Shading+u.Copy+u.Video > 0 || u.Memory > 0 || u.Compute {
			list = append(list, u)
		}
	}
	return list
}

// most returns the greatest shading share of a program on any card, 0 to 1.
func (w cardWindow) most(pid int) float64 {
	most := 0.0
	for _, u := range w.usedBy(pid) {
		most = max(most, u.Shading/100)
	}
	return most
}

// programs lists the numbers of all programs seen on a card, with their names.
func (w cardWindow) programs() map[int]string {
	out := map[int]string{}
	for _, l := range w.looks {
		if out[l.pid] == "" {
			out[l.pid] = l.name
		}
	}
	return out
}
