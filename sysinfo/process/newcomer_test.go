package process

import (
	"fmt"
	"testing"
	"time"
)

// comers are programs that come and go: each takes one processor from its start to its
// end. It stands in for the operating system's list.
type comers struct {
	now   time.Time
	runs  map[int][2]time.Time
	tells bool // when programs started
}

func (c *comers) pids(buf []int) ([]int, error) {
	for pid := 1; pid < 100; pid++ {
		if r, ok := c.runs[pid]; ok && !c.now.Before(r[0]) && c.now.Before(r[1]) {
			buf = append(buf, pid)
		}
	}
	return buf, nil
}

func (c *comers) open(pid int) (*Process, bool) {
	p := &Process{PID: pid, name: fmt.Sprintf("program%d", pid)}
	p.used, _ = c.used(p)
	if c.tells {
		p.Began = c.runs[pid][0]
	}
	return p, true
}

func (c *comers) used(p *Process) (uint64, bool) {
	r := c.runs[p.PID]
	return uint64(c.now.Sub(r[0])), c.now.Before(r[1])
}

func (c *comers) closely(*Process) {}
func (c *comers) close(*Process)   {}
func (c *comers) whole() bool      { return false }

func (c *comers) fresh(buf []int) ([]int, int, bool) { return buf, 0, false }

// TestEachOfManyShortProgramsIsFound: passes of 12 s follow each other, each by a new
// process, while a build nearby makes the table tired of looking at everything. Every
// one of them must be known for most of its time.
func TestEachOfManyShortProgramsIsFound(t *testing.T) {
	begin := time.Unix(1000, 0)
	c := &comers{runs: map[int][2]time.Time{}}
	for i := range 10 {
		from := begin.Add(time.Duration(20*i+30) * time.Second)
		c.runs[i+1] = [2]time.Time{from, from.Add(12 * time.Second)}
	}
	load := func() float64 { // two processors by what nobody sees, one by the program that runs
		busy := 2.0
		for _, r := range c.runs {
			if !c.now.Before(r[0]) && c.now.Before(r[1]) {
				busy++
			}
		}
		return busy
	}
	table := newProcessTable(c, load, 0)
	for s := range 240 {
		c.now = begin.Add(time.Duration(s) * time.Second)
		table.Look(c.now)
	}
	for pid, r := range c.runs {
		seen := 0.0
		for _, u := range table.Between(r[0], r[1]) {
			if u.PID == pid {
				seen = u.NS / 1e9
			}
		}
		if seen < 10 {
			t.Errorf("program %d ran 12 s on a processor and is known for %.1f s", pid, seen)
		}
	}
}

// TestFirstSecondsBelongToWhoUsedThem: a program starts between two looks around, or has
// used nothing yet when it is found. Once it is known, so is what it used since its start,
// in the right seconds.
func TestFirstSecondsBelongToWhoUsedThem(t *testing.T) {
	for late := range 40 {
		begin := time.Unix(1000, 0)
		from := begin.Add(20*time.Second + time.Duration(late)*100*time.Millisecond)
		c := &comers{runs: map[int][2]time.Time{1: {from, from.Add(10 * time.Second)}}, tells: true}
		load := func() float64 {
			if c.now.After(from) && c.now.Before(from.Add(10*time.Second)) {
				return min(1, c.now.Sub(from).Seconds())
			}
			return 0
		}
		table := newProcessTable(c, load, 0)
		for s := range 40 {
			c.now = begin.Add(time.Duration(s) * time.Second)
			table.Look(c.now)
		}
		for s := range 9 {
			a := from.Add(time.Duration(s) * time.Second)
			seen := 0.0
			for _, u := range table.Between(a, a.Add(time.Second)) {
				seen += u.NS / 1e9
			}
			if seen < 0.99 || seen > 1.01 {
				t.Errorf("started %d ms after a look: of its second %d on a processor %.2f s are known", 100*late, s+1, seen)
			}
		}
	}
}

// shy is a system that tells each start once, and whose programs cannot be opened at first.
type shy struct {
	comers
	refuse map[int]int // how often each is still refused
	named  map[int]bool
	listed int
}

func (s *shy) pids(buf []int) ([]int, error) {
	s.listed++
	return s.comers.pids(buf)
}

func (s *shy) open(pid int) (*Process, bool) {
	if s.refuse[pid] > 0 {
		s.refuse[pid]--
		return nil, false
	}
	return s.comers.open(pid)
}

func (s *shy) fresh(buf []int) ([]int, int, bool) {
	above := len(s.named)
	all, _ := s.comers.pids(nil)
	for _, pid := range all {
		if !s.named[pid] {
			s.named[pid] = true
			buf = append(buf, pid)
		}
	}
	return buf, above, true
}

// TestRefusedOnce: a program that could not be opened when its start was told is found by
// a listing later; where none was refused nothing is listed.
func TestRefusedOnce(t *testing.T) {
	begin := time.Unix(1000, 0)
	for _, refused := range []int{0, 1, 2} {
		s := &shy{comers: comers{runs: map[int][2]time.Time{1: {begin.Add(5 * time.Second), begin.Add(time.Hour)}}},
			refuse: map[int]int{1: refused}, named: map[int]bool{}}
		table := newProcessTable(s, func() float64 { return 0 }, 0)
		for i := range 100 {
			s.now = begin.Add(time.Duration(i) * time.Second)
			table.Look(s.now)
		}
		if table.known[1] == nil {
			t.Errorf("refused %d times, and never followed", refused)
		}
		if s.listed != refused {
			t.Errorf("refused %d times: %d listings", refused, s.listed)
		}
	}
}
