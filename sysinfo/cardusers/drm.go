package cardusers

import (
	"bytes"
	"math"
	"time"

	"capd.example/sysinfo/process"
)

// drmEvery is over how many samples a look at the kernel's counters comes once.
const drmEvery = 4

// How many processes' open files are looked through in one look for new ones, and after
// which time one is looked through again: a program may open a card late.
const (
	drmSearched = 16
	drmAgain    = 30 * time.Second
)

// Bounds of what one look reads, whatever a program opens.
const (
	drmFilesOfOne = 32
	drmFilesOfAll = 256
)

type drmCard struct {
	n       int
	address string
}

// drmUse reads the counters that the kernel's drivers keep for every program that has a
// card open, in the files of /proc/PID/fdinfo. Other users' programs do not show them.
type drmUse struct {
	files process.OpenFiles
	cards []drmCard
	table *process.Table
	known map[int]*drmProcess
	next  int // of the process table, for looks in turns
	last  time.Time
	whole bool // nobody's files were refused
	buf   [4096]byte
	now   drmClient
	seen  map[drmKey]bool // clients that were counted in this look
}

// drmProcess is what is known of one process's open files.
type drmProcess struct {
	p        *process.Process
	asked    time.Time
	files    []int // descriptors of cards
	position int64 // where the search goes on, 0 for from the start
	before   map[int]drmClient
}

type drmKey struct {
	card int
	id   uint64
}

func newDRMUse(files process.OpenFiles, cards []drmCard, table *process.Table) *drmUse {
	return &drmUse{files: files, cards: cards, table: table, known: map[int]*drmProcess{}, seen: map[drmKey]bool{}}
}

func (u *drmUse) close() {}

func (u *drmUse) look(now time.Time, t *Table) {
	u.search(now)
	since := u.last
	u.last = now
	elapsed := now.Sub(since)
	first := since.IsZero() || elapsed <= 0 || elapsed > time.Minute
	clear(u.seen)
	read := 0
	for _, q := range u.known {
		var sum [16]Look
		for _, fd := range q.files {
			if read++; read > drmFilesOfAll {
				break
			}
			card, ok := u.read(q, fd)
			if !ok {
				continue
			}
			before, had := q.before[fd]
			q.before[fd] = u.now
			key := drmKey{card, u.now.id}
			if u.seen[key] || card >= len(sum) {
				continue
			}
			u.seen[key] = true
			s := &sum[card]
			s.memory += u.now.memory
			s.PID = q.p.PID
			if !had && q.p.Began.After(since) {
				before, had = drmClient{n: u.now.n, counters: started(u.now)}, true // all of it was since it began
			}
			if had && before.id == u.now.id || q.p.Began.After(since) {
				share := u.now.busyShare(&before, float64(elapsed))
				for i := range share {
					s.share[i] = min(1, s.share[i]+share[i])
				}
			}
		}
		for card := range sum {
			if s := sum[card]; s.PID != 0 && !first {
				s.card, s.since, s.at, s.name = card, since, now, t.names(s.PID)
				t.add(s)
			}
		}
	}
	if first {
		return
	}
	for _, c := range u.cards {
		t.addSpan(Span{Card: c.n, Since: since, At: now, Whole: u.whole, Link: math.NaN(), Source: "fdinfo"})
	}
}

// started is the state in which all counters of a client began; cycles are compared with
// those that passed, which were not zero, and tell nothing yet.
func started(c drmClient) (list [drmCounters]engineCounter) {
	for i := range c.n {
		list[i] = engineCounter{engine: c.counters[i].engine, name: c.counters[i].name, cycles: c.counters[i].cycles,
			total: c.counters[i].total}
	}
	return list
}

// read fills now with one file and returns the card that it is of.
func (u *drmUse) read(q *drmProcess, fd int) (card int, ok bool) {
	n, err := u.files.Info(q.p.PID, fd, u.buf[:])
	if err != nil || !parseDRM(u.buf[:n], &u.now) {
		return 0, false
	}
	address := bytes.TrimRight(u.now.address[:], "\x00")
	for _, c := range u.cards {
		if string(address) == c.address || len(address) == 0 && len(u.cards) == 1 {
			return c.n, true
		}
	}
	return 0, false
}

// search looks through some processes' open files: new ones first.
func (u *drmUse) search(now time.Time) {
	for pid, q := range u.known {
		if !u.table.Follows(q.p) {
			delete(u.known, pid)
		}
	}
	left := drmSearched
	u.whole = true
	for _, p := range u.table.Running() {
		q := u.known[p.PID]
		if q == nil && !p.Ended {
			q = &drmProcess{p: p, before: map[int]drmClient{}}
			u.known[p.PID] = q
		}
		if q == nil || p.PID == u.table.Self {
			continue
		}
		if left > 0 && q.asked.IsZero() {
			u.list(q, now)
			left--
		}
	}
	// The others in turns.
	for range u.table.Running() {
		if left <= 0 {
			break
		}
		u.next = (u.next + 1) % len(u.table.Running())
		q := u.known[u.table.Running()[u.next].PID]
		if q != nil && (q.position > 0 || now.Sub(q.asked) >= drmAgain) {
			u.list(q, now)
			left--
		}
	}
	for _, q := range u.known {
		u.whole = u.whole && !q.asked.IsZero() && q.position >= 0
	}
}

// list finds which of a process's files are of a card; position is -1 for one that does
// not show them.
func (u *drmUse) list(q *drmProcess, now time.Time) {
	if q.position <= 0 {
		q.files, q.position = q.files[:0], 0
	}
	next, err := u.files.EachFile(q.p.PID, q.position, func(fd int, target []byte) bool {
		if bytes.HasPrefix(target, []byte("/dev/dri/")) && len(q.files) < drmFilesOfOne {
			q.files = append(q.files, fd)
		}
		return true
	})
	q.asked, q.position = now, next
	if err != nil {
		q.position = -1
	}
}
