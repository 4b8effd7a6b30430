package cardusers

import (
	"math"
	"slices"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// pdhEvery is over how many samples a look at the counters of the cards comes once: there
// is one for each program and engine.
const pdhEvery = 5

// The counters, by their English names.
const (
	pdhEngines  = `\GPU Engine(*)\Utilization Percentage`
	pdhMemory   = `\GPU Process Memory(*)\Dedicated Usage`
	pdhAdapters = `\GPU Adapter Memory(*)\Dedicated Usage`
)

// pdhUse reads Windows' counters of every program's use of every card and engine. A
// wildcard stands for the programs that ran when it was added: each look reads what was
// added at the look before and adds it anew, which is also the start of the next mean.
type pdhUse struct {
	ask   winsys.Asker
	last  time.Time
	buf   []byte
	cards []uint64 // their LUIDs, in the order in which cards are counted
}

// pdhQuery is the number of our query among those of the machine.
const pdhQuery = 2

// openWindowsCardUse begins with the cards whose numbers are known.
func openWindowsCardUse(ask winsys.Asker, cards []uint64, t *Table) {
	u := &pdhUse{ask: ask, cards: cards}
	if !u.add() {
		u.close()
		t.silent(0, record.Absent, "counter GPU Engine")
		return
	}
	t.use(u, pdhEvery)
}

func (u *pdhUse) status(call, path string) winsys.Status {
	_, s := u.ask.Ask(winsys.Question{Call: call, A: pdhQuery, Text: path}, nil)
	return s
}

// add adds the wildcards and reads them once.
func (u *pdhUse) add() bool {
	for _, path := range []string{pdhEngines, pdhMemory, pdhAdapters} {
		u.status(winsys.CounterRemove, path)
		if u.status(winsys.CounterAdd, path) != winsys.OK && path == pdhEngines {
			return false
		}
	}
	u.status(winsys.CounterCollect, "")
	return true
}

func (u *pdhUse) close() { u.status(winsys.CounterClose, "") }

func (u *pdhUse) look(now time.Time, t *Table) {
	since := u.last
	u.last = now
	if u.status(winsys.CounterCollect, "") == winsys.OK && !since.IsZero() && now.Sub(since) < time.Minute {
		u.tell(since, now, t)
	}
	if !u.add() {
		t.silent(0, record.Broken, "counter GPU Engine")
	}
}

// tell hands over what the counters say of the time since the look before.
func (u *pdhUse) tell(since, now time.Time, t *Table) {
	inUse := map[uint64]float64{}
	u.each(pdhAdapters, winsys.FormatLarge, func(name string, value float64) {
		if e, ok := parseInstance("pid_0_" + name); ok {
			inUse[e.card] += value
		}
	})
	type user struct {
		pid  int
		card uint64
	}
	looks := map[user]*Look{}
	at := func(e engineInstance) *Look {
		k := user{e.pid, e.card}
		if looks[k] == nil {
			looks[k] = &Look{PID: e.pid, since: since, at: now}
		}
		return looks[k]
	}
	u.each(pdhEngines, winsys.FormatDouble, func(name string, value float64) {
		e, ok := parseInstance(name)
		if _, seen := inUse[e.card]; ok && !seen {
			inUse[e.card] = 0
		}
		if ok && value > 0 && value <= 1000 && e.engine != engineNone {
			s := &at(e).share[e.engine]
			*s = min(1, *s+min(value, 100)/100)
		}
	})
	u.each(pdhMemory, winsys.FormatLarge, func(name string, value float64) {
		if e, ok := parseInstance(name); ok && value > 0 && value < 1<<50 {
			at(e).memory += uint64(value)
		}
	})
	u.order(inUse)
	for k, l := range looks {
		if l.card = slices.Index(u.cards, k.card); l.card >= 0 {
			l.name = t.names(l.PID)
			t.add(*l)
		}
	}
	for i := range u.cards {
		t.addSpan(Span{Card: i, Since: since, At: now, Whole: true, Link: math.NaN(), Source: "performance counters"})
	}
}

// order gives a card its number that the graphics kernel did not name, when it is first seen.
// Detection counts the card with most memory first; the counters tell the memory in use only,
// which is a guess at the same order.
func (u *pdhUse) order(inUse map[uint64]float64) {
	var found []uint64
	for luid := range inUse {
		if !slices.Contains(u.cards, luid) {
			found = append(found, luid)
		}
	}
	slices.SortFunc(found, func(a, b uint64) int {
		switch {
		case inUse[a] > inUse[b]:
			return -1
		case inUse[a] < inUse[b]:
			return 1
		case a < b:
			return -1
		}
		return 1
	})
	u.cards = append(u.cards, found...)
}

// each calls visit with every instance of a wildcard.
func (u *pdhUse) each(path string, format uint64, visit func(name string, value float64)) {
	b, s := winsys.Whole(u.ask, winsys.Question{Call: winsys.CounterArray, A: pdhQuery, B: format, Text: path}, u.buf)
	if s != winsys.OK {
		return
	}
	u.buf = b[:cap(b)]
	winsys.EachCounter(b, func(c winsys.CounterItem) {
		if format == winsys.FormatLarge {
			visit(c.Name, float64(int64(c.Value)))
			return
		}
		visit(c.Name, math.Float64frombits(c.Value))
	})
}
