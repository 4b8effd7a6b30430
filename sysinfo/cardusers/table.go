package cardusers

import (
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"capd.example/record"
)

// Look is what one program used of one card between two looks.
type Look struct {
	card, PID int
	name      string
	since, at time.Time
	share     [engineCount]float64 // of the time, 0 to 1
	memory    uint64               // bytes of the card's memory, 0 for unknown
	compute   bool                 // holds a compute context
}

// Span is a stretch in which a card's programs were looked at.
type Span struct {
	Card      int
	Since, At time.Time
	Whole     bool    // every program shows, other users' too
	Link      float64 // bytes per second over the card's link, NaN for unknown
	Source    string
}

// cardReader tells who uses a card. look hands what happened since the look before to
// the table, one span for each card and one look for each program that used it.
type cardReader interface {
	look(now time.Time, t *Table)
	close()
}

// Table keeps who used the graphics cards. Its readers are asked in turns: what each costs stands in docs/detection.md.
type Table struct {
	readers []cardReader
	every   []int // samples between two looks of each reader
	ticks   int
	names   func(pid int) string

	mu    sync.Mutex // guards the rest
	looks []Look
	next  int
	spans []Span
	after int
	gaps  map[int]record.Gap // of cards that do not tell
}

func newCardTable(names func(int) string) *Table {
	return &Table{names: names, looks: make([]Look, 4096), spans: make([]Span, 1024), gaps: map[int]record.Gap{}}
}

func (t *Table) use(r cardReader, every int) {
	t.readers, t.every = append(t.readers, r), append(t.every, every)
}

func (t *Table) Label() string { return "use of the cards" }

// Look asks the readers whose turn it is.
func (t *Table) Look(now time.Time) {
	for i, r := range t.readers {
		// Each in a sample of its own; all of them at first, to have something to compare with.
		if t.ticks == 0 || t.ticks%t.every[i] == (1+i)%t.every[i] {
			r.look(now, t)
		}
	}
	t.ticks++
}

func (t *Table) Close() {
	for _, r := range t.readers {
		r.close()
	}
}

func (t *Table) add(l Look) {
	t.mu.Lock()
	t.looks[t.next] = l
	t.next = (t.next + 1) % len(t.looks)
	t.mu.Unlock()
}

func (t *Table) addSpan(s Span) {
	t.mu.Lock()
	t.spans[t.after] = s
	t.after = (t.after + 1) % len(t.spans)
	delete(t.gaps, s.Card)
	t.mu.Unlock()
}

// silent says why a card does not tell who uses it.
func (t *Table) silent(card int, why record.Unknown, text string) {
	t.mu.Lock()
	t.gaps[card] = record.Gap{Name: record.Numbered(record.SeriesGPUOthers, card), Why: why, Text: text}
	t.mu.Unlock()
}

// Window is what is known of the cards' use in a stretch of time.
type Window struct {
	From, To time.Time
	looks    []Look
	Spans    []Span
	Gaps     []record.Gap
}

func (t *Table) Between(from, to time.Time) Window {
	w := Window{From: from, To: to}
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
		if s.At.After(from) && s.Since.Before(to) {
			w.Spans = append(w.Spans, s)
		}
	}
	slices.SortFunc(w.Spans, func(a, b Span) int { return a.At.Compare(b.At) })
	for _, g := range t.gaps {
		w.Gaps = append(w.Gaps, g)
	}
	slices.SortFunc(w.Gaps, func(a, b record.Gap) int { return strings.Compare(a.Name, b.Name) })
	return w
}

// Cards lists the cards that were looked at.
func (w Window) Cards() (list []int) {
	for _, s := range w.Spans {
		if !slices.Contains(list, s.Card) {
			list = append(list, s.Card)
		}
	}
	slices.Sort(list)
	return list
}

// Overlap is how long two stretches of time have in common.
func Overlap(a, b, from, to time.Time) float64 {
	if a.Before(from) {
		a = from
	}
	if b.After(to) {
		b = to
	}
	return max(0, b.Sub(a).Seconds())
}

// covered returns for how many seconds of [from, to] a card was looked at.
func (w Window) covered(card int, from, to time.Time) float64 {
	sum := 0.0
	for _, s := range w.Spans {
		if s.Card == card {
			sum += Overlap(s.Since, s.At, from, to)
		}
	}
	return sum
}

// Share returns which part of the looked-at time in [from, to] each engine of a card
// worked for the programs that count; NaN where less than half of the time was looked at.
func (w Window) Share(card int, from, to time.Time, counts func(Look) bool) (out [engineCount]float64) {
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
		part := Overlap(l.since, l.at, from, to) / covered
		for i := range out {
			out[i] += part * l.share[i]
		}
	}
	for i := range out {
		out[i] = min(out[i], 1)
	}
	return out
}

// UsedBy returns what one program used of each card over the whole window.
func (w Window) UsedBy(pid int) (list []record.CardUse) {
	for _, card := range w.Cards() {
		u := record.CardUse{Card: card}
		for _, l := range w.looks {
			if l.card == card && l.PID == pid {
				u.Memory, u.Compute = max(u.Memory, l.memory), u.Compute || l.compute
			}
		}
		covered := w.covered(card, w.From, w.To)
		if covered <= 0 {
			continue
		}
		var sum [engineCount]float64
		for _, l := range w.looks {
			if l.card == card && l.PID == pid {
				for i := range sum {
					sum[i] += l.share[i] * Overlap(l.since, l.at, w.From, w.To) / covered
				}
			}
		}
		u.Shading, u.Copy, u.Video = 100*min(sum[EngineShading], 1), 100*min(sum[EngineCopy], 1), 100*min(sum[EngineVideo], 1)
		if u.Shading+u.Copy+u.Video > 0 || u.Memory > 0 || u.Compute {
			list = append(list, u)
		}
	}
	return list
}

// Most returns the greatest shading share of a program on any card, 0 to 1.
func (w Window) Most(pid int) float64 {
	most := 0.0
	for _, u := range w.UsedBy(pid) {
		most = max(most, u.Shading/100)
	}
	return most
}

// Programs lists the numbers of all programs seen on a card, with their names.
func (w Window) Programs() map[int]string {
	out := map[int]string{}
	for _, l := range w.looks {
		if out[l.PID] == "" {
			out[l.PID] = l.name
		}
	}
	return out
}
