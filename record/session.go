package record

import (
	"cmp"
	"slices"
	"strconv"
	"time"
)

// Session is a stretch at a bench between changes of parts, restarts and days. Passes of
// one session share what a rebuild shifts; those of two do not.
type Session struct {
	ID     string // bench and start of its first pass, or what the tag session says
	Bench  string
	Began  time.Time
	Ended  time.Time
	Passes []string // identities, in order of time
	Why    string   // what set it apart from the session before, one of the Session constants
}

// What a session begins with.
const (
	SessionFirst   = "first"   // of the bench with these parts and settings
	SessionChange  = "change"  // the parts or settings were others in between
	SessionRestart = "restart" // the bench was started again
	SessionPause   = "pause"   // nothing was recorded for longer than SessionGap
	SessionTag     = "tag"     // the tag session says so
)

const (
	// SessionGap is the longest pause within a session (a convention): more than a meal,
	// less than a night.
	SessionGap = 4 * time.Hour
	// changeTime is the least that a change of parts there and back takes between two passes
	// (a convention). Logs that were copied carry times of the copying, by which parts
	// alternate within seconds; nobody exchanges parts that fast.
	changeTime = 5 * time.Minute
)

// Sessions divides passes into sessions, in order of their beginnings. Two passes of a
// bench belong to one session where the detected system and the tags cpu, gpu and driver
// are the same, the tag boot is the same as far as it is known, no more than SessionGap
// lies between neighbours, and no other parts were at work in between. Passes with the tag
// session belong to the session that it names, whatever else holds.
//
// It works on any passes: those from before sessions were known lack the tag boot, and
// system, tags and times decide.
func Sessions(passes []Pass) []Session {
	order := make([]int, len(passes))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(passes[a].StartedAt.Compare(passes[b].StartedAt), cmp.Compare(passes[a].ID, passes[b].ID))
	})
	var out []Session
	benches := map[string]*benchSessions{}
	for _, i := range order {
		p := &passes[i]
		b := benches[p.Bench]
		if b == nil {
			b = &benchSessions{open: map[buildUp]*openSession{}, tagged: map[string]int{}, begun: map[string]int{}}
			benches[p.Bench] = b
		}
		at := b.place(p, &out)
		s := &out[at]
		s.Passes = append(s.Passes, p.ID)
		if end := ended(p); end.After(s.Ended) {
			s.Ended = end
		}
	}
	return out
}

// SessionOf maps the identities of passes to those of their sessions.
func SessionOf(passes []Pass) map[string]string {
	of := make(map[string]string, len(passes))
	for _, s := range Sessions(passes) {
		for _, id := range s.Passes {
			of[id] = s.ID
		}
	}
	return of
}

// buildUp is what a bench was for a pass.
type buildUp struct{ system, processor, graphics, driver string }

func buildUpOf(p *Pass) buildUp {
	b := buildUp{p.System, p.Tags.Value(TagProcessor), p.Tags.Value(TagGraphics), p.Tags.Value(TagDriver)}
	if p.SystemLater() {
		b.system = ""
	}
	return b
}

type openSession struct {
	at    int // in the list
	boot  string
	later string // the system that was found after its passes had ended, if only so
	last  time.Time
}

type benchSessions struct {
	open   map[buildUp]*openSession
	tagged map[string]int
	begun  map[string]int // sessions that began in a second

	now  *openSession // of the pass before
	last time.Time
}

// session returns the open session with what the bench was for a pass. What was found after a
// pass had ended says nothing by itself; equal to what is known of a stretch it belongs there.
func (b *benchSessions) session(is buildUp, p *Pass) *openSession {
	if s := b.open[is]; s != nil {
		return s
	}
	other := is
	if p.SystemLater() {
		other.system = p.System
	} else {
		other.system = ""
	}
	s := b.open[other]
	if s == nil || other.system == "" && s.later != p.System {
		return nil
	}
	b.open[is] = s
	return s
}

// begin has a session take the place of one, under all that the bench was for it.
func (b *benchSessions) begin(is buildUp, before, s *openSession) {
	for k, open := range b.open {
		if before != nil && open == before {
			b.open[k] = s
		}
	}
	b.open[is] = s
}

// place returns the index of the session of the next pass and adds one where it begins one.
func (b *benchSessions) place(p *Pass, out *[]Session) int {
	if name := p.Tags.Value(TagSession); name != "" {
		at, known := b.tagged[name]
		if !known {
			at = len(*out)
			b.tagged[name] = at
			*out = append(*out, Session{ID: p.Bench + " " + name, Bench: p.Bench, Began: p.StartedAt, Ended: ended(p),
				Why: SessionTag})
		}
		return at
	}
	is, boot := buildUpOf(p), p.Tags.Value(TagBoot)
	s := b.session(is, p)
	why := ""
	switch {
	case s == nil:
		why = SessionFirst
	case boot != "" && s.boot != "" && !sameBoot(boot, s.boot):
		why = SessionRestart
	case p.StartedAt.Sub(s.last) > SessionGap:
		why = SessionPause
	case b.now != s && p.StartedAt.Sub(b.last) >= changeTime:
		why = SessionChange
	}
	if why == SessionFirst && b.now != nil {
		why = SessionChange
	}
	if why != "" {
		before := s
		s = &openSession{at: len(*out), boot: boot}
		if p.SystemLater() {
			s.later = p.System
		}
		b.begin(is, before, s)
		id := p.StartedAt.UTC().Format(time.RFC3339)
		if b.begun[id]++; b.begun[id] > 1 {
			id += "." + strconv.Itoa(b.begun[id])
		}
		*out = append(*out, Session{ID: p.Bench + " " + id, Bench: p.Bench, Began: p.StartedAt, Ended: ended(p), Why: why})
	}
	if s.boot == "" {
		s.boot = boot
	}
	if end := ended(p); end.After(s.last) {
		s.last = end
	}
	if end := ended(p); end.After(b.last) {
		b.last = end
	}
	b.now = s
	return s.at
}

func ended(p *Pass) time.Time {
	if p.EndedAt.Before(p.StartedAt) {
		return p.StartedAt
	}
	return p.EndedAt
}

// bootSlack is by how much the start of one machine may be told differently: where it is
// worked out from the clock, a correction of the clock moves it.
const bootSlack = 2 * time.Minute

// sameBoot compares two values of the tag boot: names of starts, or times of them.
func sameBoot(a, b string) bool {
	if a == b {
		return true
	}
	x, err1 := time.Parse(time.RFC3339, a)
	y, err2 := time.Parse(time.RFC3339, b)
	return err1 == nil && err2 == nil && x.Sub(y).Abs() <= bootSlack
}
