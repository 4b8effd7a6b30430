package process

import (
	"math"
	"slices"
	"sync"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/tree"
	"capd.example/sysinfo/winsys"
)

// Round is over how many samples the look at all processes is spread, so that no sample
// carries it alone.
const Round = 20

// roundTold is over how many samples newcomers are asked for where that needs no listing.
const roundTold = 4

// hotMost is how many of the busiest processes are looked at in every sample.
const hotMost = 5

// jump is the load in processors, beyond what the hot processes explain, that makes the
// table look at everything at once to see who it is.
const jump = 0.3

// The first wait before such a look is repeated, and the longest: where programs come and
// go too fast to be seen, as in a build, looking again and again finds nobody.
const (
	scanAgain = 3 * time.Second
	scanLate  = time.Minute
)

// youth is for how long a new process is looked at whenever new ones are searched for.
const youth = 30 * time.Second

// Process is one running program.
type Process struct {
	PID, parent int
	name        string
	Ended       bool
	Began       time.Time // when it started; zero where the system does not tell
	found       time.Time // when it was first seen
	used        uint64    // processor time so far in ns
	at          time.Time
	confirmed   time.Time  // when the number was known to be still its own; zero for in doubt
	rate        float64    // processors used at the latest look
	graphics    bool       // holds a graphics device open
	asked       bool       // name and graphics were looked at closely
	askedAt     time.Time  // the latest time
	files       int64      // where the look through its open files goes on, 0 for from the start
	handle      *tree.File // kept descriptor, where the system works with files; nil where none is left for it
	start       uint64     // when it started by the system's own count, to tell it without a handle
}

// interval is the processor time that a process used between two looks at it.
type interval struct {
	p         *Process
	Since, At time.Time
	used      uint64 // ns
}

// processReader is how an operating system tells about its processes.
type processReader interface {
	// fresh appends the numbers of processes that started since the last call to buf, and
	// of some that are older; numbers above the one returned were given out since. False
	// where that is not known and pids must tell.
	fresh(buf []int) (list []int, above int, told bool)
	// pids appends the numbers of the running processes to buf.
	pids(buf []int) ([]int, error)
	// open starts to follow a process; false where it has ended or is not shown.
	open(pid int) (*Process, bool)
	// used returns the processor time so far in ns; false when the process has ended.
	used(p *Process) (uint64, bool)
	// closely fills in what is costly to know about a busy process.
	closely(p *Process)
	close(p *Process)
	// whole reports that pids reads the times of all processes as well, so that those
	// which are not hot need no look of their own.
	whole() bool
}

// Table follows the processes.
type Table struct {
	reader processReader
	load   func() float64 // busy processors at this sample
	Self   int            // our own process, 0 for a recorded machine

	// Owned by the sampling goroutine.
	live       []*Process
	known      map[int]*Process
	list       []int
	cursor     int
	ticks      int
	discovered time.Time
	scanned    time.Time
	told       bool          // newcomers were told without a listing
	missed     bool          // a process could not be opened: only a listing names it again
	doubt      time.Time     // numbers confirmed before may be other processes' by now
	patience   time.Duration // until load that nobody explains is looked into again
	hot        []*Process

	mu    sync.Mutex // guards the looks and the processes' names
	looks []interval
	next  int
	first time.Time // of the first look at the table
}

func newProcessTable(r processReader, load func() float64, self int) *Table {
	return &Table{reader: r, load: load, Self: self, known: map[int]*Process{}, looks: make([]interval, 16384),
		list: make([]int, 0, 4096), live: make([]*Process, 0, 1024)}
}

// Open follows the processes of this machine (live) or of a recorded one below the
// tree. load tells how many processors are busy, self is our own process, 0 for none. The
// reason says why there are none to follow.
func Open(t tree.Tree, live bool, ask winsys.Asker, load func() float64, self int) (*Table, record.Unknown) {
	if ask != nil {
		var times busyTimes
		if live {
			times = timesHere()
		}
		return openWindowsTable(ask, times, load, self), ""
	}
	r, why := openProcReader(t, live)
	if why != "" {
		return nil, why
	}
	return newProcessTable(r, load, self), ""
}

func (t *Table) Label() string { return "processes" }

// Look takes the sample's look at the processes.
func (t *Table) Look(now time.Time) {
	explained := 0.0
	for _, p := range t.hot {
		t.visit(p, now)
		explained += p.rate
	}
	t.ticks++
	unexplained := t.load()-explained > jump
	switch {
	case t.first.IsZero():
		t.scan(now)
		t.mu.Lock()
		t.first = now
		t.mu.Unlock()
	case unexplained && now.Sub(t.scanned) >= max(t.patience, scanAgain):
		if now.Sub(t.scanned) < 2*t.patience {
			t.patience = min(2*t.patience, scanLate)
		} else {
			t.patience = scanAgain
		}
		t.scan(now)
	case unexplained && now.Sub(t.discovered) >= scanAgain, t.ticks%Round == 0, t.told && t.ticks%roundTold == 0:
		// A program that has just started, the next game perhaps, must not wait for the
		// next look at everything: finding the new ones is the cheap part.
		t.discover(now)
		t.choose()
	case !t.reader.whole():
		t.some(now)
	}
	t.ask(now)
}

// scan looks at everything.
func (t *Table) scan(now time.Time) {
	t.scanned = now
	t.discover(now)
	if !t.reader.whole() {
		for _, p := range t.live {
			t.visit(p, now)
		}
	}
	t.choose()
}

// some looks at the next share of the processes.
func (t *Table) some(now time.Time) {
	for range len(t.live)/(Round-1) + 1 {
		if t.cursor >= len(t.live) {
			t.cursor = 0
			return
		}
		t.visit(t.live[t.cursor], now)
		t.cursor++
	}
}

// discover finds processes that have started and drops those that have ended.
func (t *Table) discover(now time.Time) {
	t.drop()
	// One that was found in its first moments had used nothing yet: it is looked at again,
	// else it would have to wait for its turn.
	for _, p := range t.live {
		if !t.reader.whole() && now.Sub(p.found) < youth {
			t.visit(p, now)
		}
	}
	list, above, told := t.reader.fresh(t.list[:0])
	if !told {
		var err error
		if list, err = t.reader.pids(list); err != nil {
			return
		}
		above, t.doubt = math.MaxInt, now
		t.missed = false
	} else if t.missed && (t.ticks%Round == 0 || now.Equal(t.scanned)) {
		if all, err := t.reader.pids(list); err == nil {
			list, t.missed = all, false
		}
	}
	t.list, t.told = list, told
	for _, pid := range list {
		p := t.known[pid]
		if p != nil && pid > above && p.found.Before(t.discovered) {
			p.confirmed = time.Time{} // its number was given out again
		}
		if p != nil && (t.reader.whole() || p.confirmed.IsZero()) {
			t.visit(p, now)
		}
		if t.known[pid] == nil {
			t.take(pid, now)
		}
	}
	t.discovered = now
}

// take begins to follow a process.
func (t *Table) take(pid int, now time.Time) {
	p, ok := t.reader.open(pid)
	if !ok {
		t.missed = true
		return
	}
	t.known[pid] = p
	t.live = append(t.live, p)
	p.at, p.found, p.confirmed = now, now, now
	// What a process used before the agent began is not of interest; what a new one used
	// it used since its start, or since the last look around.
	if t.first.IsZero() || p.used == 0 {
		return
	}
	since := t.discovered
	if p.Began.After(t.first) && p.Began.Before(now) {
		since = p.Began
	}
	t.keep(interval{p: p, Since: since, At: now, used: p.used})
	p.rate = float64(p.used) / float64(max(now.Sub(since), 1))
}

// drop forgets the processes that a look found to have ended.
func (t *Table) drop() {
	t.live = slices.DeleteFunc(t.live, func(p *Process) bool { return p.Ended })
}

// visit looks at one process.
func (t *Table) visit(p *Process, now time.Time) {
	if p.Ended || !now.After(p.at) {
		return
	}
	before := p.at
	p.at = now
	if p.confirmed.Before(t.doubt) {
		p.confirmed = time.Time{}
	}
	used, ok := t.reader.used(p)
	if !ok {
		t.reader.close(p)
		delete(t.known, p.PID)
		p.Ended, p.rate = true, 0
		return
	}
	grown := uint64(0)
	if used > p.used {
		grown = used - p.used
		t.keep(interval{p: p, Since: before, At: now, used: grown})
	}
	p.rate = float64(grown) / float64(now.Sub(before))
	p.used = used
}

func (t *Table) keep(l interval) {
	t.mu.Lock()
	t.looks[t.next] = l
	t.next = (t.next + 1) % len(t.looks)
	t.mu.Unlock()
}

// choose picks the busiest processes, and our own, for every sample.
func (t *Table) choose() {
	t.hot = t.hot[:0]
	for _, p := range t.live {
		if !p.Ended && (p.PID == t.Self || p.rate > 0.01) {
			t.hot = append(t.hot, p)
		}
	}
	slices.SortFunc(t.hot, func(a, b *Process) int {
		switch {
		case a.PID == t.Self:
			return -1
		case b.PID == t.Self:
			return 1
		case a.rate > b.rate:
			return -1
		case a.rate < b.rate:
			return 1
		}
		return a.PID - b.PID
	})
	t.hot = t.hot[:min(len(t.hot), hotMost+1)]
}

// ask looks closely at one of the busiest that was not looked at for long: a program may
// have become another one since, or opened the graphics device after it was found. One at
// a time, so that no sample carries a burst, and none of those that come and go.
func (t *Table) ask(now time.Time) {
	for _, p := range t.hot {
		lately := p.asked && (p.PID == t.Self || p.files == 0 && now.Sub(p.askedAt) < youth)
		if p.Ended || p.graphics || now.Sub(p.found) < scanAgain || lately {
			continue
		}
		t.mu.Lock()
		t.reader.closely(p)
		t.mu.Unlock()
		p.asked, p.askedAt = true, now
		return
	}
}

func (t *Table) Close() {
	for _, p := range t.live {
		if !p.Ended {
			t.reader.close(p)
		}
	}
	if r, holds := t.reader.(interface{ end() }); holds {
		r.end()
	}
}

// Usage is what one process used in a window.
type Usage struct {
	PID, Parent int
	Name        string
	Graphics    bool
	NS          float64
	Card        float64   // greatest share of a graphics card, 0 to 1
	Rival       bool      // could as well be the measured program
	First, Last time.Time // of the looks that saw it at work
	Looks       []interval
}

// Between adds up what each process used in the window; a look that lies partly inside
// counts by its share.
func (t *Table) Between(from, to time.Time) []*Usage {
	t.mu.Lock()
	defer t.mu.Unlock()
	by := map[*Process]*Usage{}
	var list []*Usage
	for i := range t.looks {
		l := t.looks[(t.next+i)%len(t.looks)]
		if l.p == nil || !l.At.After(from) || !l.Since.Before(to) {
			continue
		}
		u := by[l.p]
		if u == nil {
			u = &Usage{PID: l.p.PID, Parent: l.p.parent, Name: l.p.name, Graphics: l.p.graphics, First: l.Since}
			by[l.p] = u
			list = append(list, u)
		}
		u.NS += l.Share(from, to)
		u.Last = l.At
		u.Looks = append(u.Looks, l)
	}
	return list
}

// Share returns the part of a look's time that falls into [from, to].
func (l interval) Share(from, to time.Time) float64 {
	a, b := l.Since, l.At
	if a.Before(from) {
		a = from
	}
	if b.After(to) {
		b = to
	}
	whole := l.At.Sub(l.Since)
	if whole <= 0 || !b.After(a) {
		return 0
	}
	return float64(l.used) * float64(b.Sub(a)) / float64(whole)
}

// Gap says what a table cannot know.
func (t *Table) Gap() (record.Gap, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.first.IsZero() {
		return record.Gap{Name: "processes", Why: record.Broken, Text: "the list of processes has not been read yet"}, true
	}
	return record.Gap{}, false
}

// NameOf returns the name of a running process. It belongs to the sampling goroutine.
func (t *Table) NameOf(pid int) string {
	p := t.known[pid]
	if p == nil {
		var ok bool
		if p, ok = t.reader.open(pid); !ok {
			return endedProgram(pid)
		}
		name := p.name
		t.reader.close(p)
		return name
	}
	if !p.asked {
		t.mu.Lock()
		t.reader.closely(p)
		t.mu.Unlock()
		p.asked, p.askedAt = true, p.at
	}
	return p.name
}

// OpenFiles tells about the files that processes have open, as pidDir does.
type OpenFiles interface {
	// EachFile visits some of a process's open files, beginning where the last call ended,
	// until visit returns false; next is where to go on, 0 for at the end.
	EachFile(pid int, from int64, visit func(fd int, target []byte) bool) (next int64, err error)
	// Info reads what the kernel tells of an open file of a process.
	Info(pid, fd int, buf []byte) (int, error)
}

// OpenFiles is for the sampling goroutine; false where the system does not show them.
func (t *Table) OpenFiles() (OpenFiles, bool) {
	r, is := t.reader.(*procReader)
	if !is {
		return nil, false
	}
	return r.dir, true
}

// Running lists the processes that are followed, some of which may have ended since the
// latest look. It belongs to the sampling goroutine.
func (t *Table) Running() []*Process { return t.live }

// Follows reports whether a process was alive at the latest look at it.
func (t *Table) Follows(p *Process) bool { return !p.Ended && t.known[p.PID] == p }
