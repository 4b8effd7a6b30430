package lab

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
)

// Limits say from when on a bench needs somebody.
type Limits struct {
	Silent  time.Duration // without a word although its campaign still wants passes
	Clock   float64       // by which its clock is off, s
	Backlog int           // passes that wait to be sent
	Bad     int           // bad passes within Within
	Within  time.Duration
}

// Alarm is something about one bench that needs somebody.
type Alarm struct {
	Bench  string `json:"bench"`
	About  string `json:"about"` // silent, clock, backlog, bad or stores
	Text   string `json:"text"`
	Advice string `json:"advice"`
}

// Seen is what the lab knows of its benches at one moment of its own clock.
type Seen struct {
	At      time.Time
	Benches []Bench        // without their counts
	Bad     map[string]int // passes that are bad and began within the time asked for, by bench
}

// ahead is by how much a bench's clock may be fast for its passes to be of the last while:
// those of a wrong year would be for ever.
const ahead = 5 * time.Minute

// See returns how the benches stand now, and their bad passes of the last while.
func (l *Lab) See(ctx context.Context, within time.Duration) (s Seen, err error) {
	err = l.read(ctx, "look at the benches", func(tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, `SELECT now()`).Scan(&s.At); err != nil {
			return err
		}
		s.At, s.Bad = s.At.UTC(), map[string]int{}
		if s.Benches, err = l.benches(ctx, tx); err != nil {
			return err
		}
		counts, err := countsOf(ctx, tx, "WHERE verdict = 'bad' AND at >= $1 AND at <= $2", s.At.Add(-within), s.At.Add(ahead))
		for name, c := range counts {
			s.Bad[name] = c.bad
		}
		return err
	})
	return s, err
}

// Watch holds one look at the benches against those before it. The zero value has no limits.
type Watch struct {
	Limits
	reports map[string][]report
}

// report is what a bench told one time.
type report struct {
	at      time.Time
	backlog int
}

// growing is how many reports in a row must each tell of a larger backlog.
const growing = 3

// Alarms returns what needs somebody, in order of the benches. A backlog that grows is seen
// from the third report on.
func (w *Watch) Alarms(s Seen) (out []Alarm) {
	if w.reports == nil {
		w.reports = map[string][]report{}
	}
	for _, b := range s.Benches {
		add := func(about, advice, text string, args ...any) {
			text = "bench " + b.Name + " " + fmt.Sprintf(text, args...)
			out = append(out, Alarm{Bench: b.Name, About: about, Text: text, Advice: advice})
		}
		if silent := s.At.Sub(b.SeenAt); b.Open > 0 && silent > w.Silent {
			add("silent", "see whether it runs, its agent ('capctl status' there), and its network",
				"was last heard of at %s, %d min ago, and its campaign %s still wants %d passes",
				b.SeenAt.Format(time.RFC3339), int(silent.Minutes()), b.Campaign, b.Open)
		}
		if b.Skew > w.Clock || b.Skew < -w.Clock {
			add("clock", "set its clock by the lab's time server: passes are ordered by it", "has a clock that is off by %.1f s", b.Skew)
		}
		switch w.note(b); {
		case b.Backlog > w.Backlog:
			add("backlog", "see why it cannot send: 'capctl lab send' there says", "still had %d passes to send", b.Backlog)
		case w.grows(b.Name):
			add("backlog", "see why it cannot send: 'capctl lab send' there says", "falls behind: it had %d passes to send, more each time", b.Backlog)
		}
		if bad := s.Bad[b.Name]; bad >= w.Bad {
			add("bad", "look at them with 'capctl passes --verdict bad' before more are recorded", "recorded %d bad passes in the last %d min",
				bad, int(w.Within.Minutes()))
		}
		if b.Stores > 1 {
			add("stores", "give each bench a name of its own: bench in its configuration", "is the name of %d machines that send", b.Stores)
		}
	}
	return out
}

func (w *Watch) note(b Bench) {
	list := w.reports[b.Name]
	if n := len(list); n == 0 || b.SeenAt.After(list[n-1].at) {
		list = append(list, report{b.SeenAt, b.Backlog})
	}
	w.reports[b.Name] = list[max(0, len(list)-growing):]
}

func (w *Watch) grows(bench string) bool {
	list := w.reports[bench]
	for i := 1; i < len(list); i++ {
		if list[i].backlog <= list[i-1].backlog {
			return false
		}
	}
	return len(list) == growing
}
