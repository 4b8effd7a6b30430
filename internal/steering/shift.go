package steering

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// shiftPause is the pause between two passes that parts one shift from the next (a
// convention).
const shiftPause = 4 * time.Hour

// Shift sums up the passes of a stretch at a bench.
type Shift struct {
	Bench    string         `json:"bench"`
	From     time.Time      `json:"from"`
	To       time.Time      `json:"to"`
	Hours    float64        `json:"hours"`
	Passes   int            `json:"passes"`
	Good     int            `json:"good"`     // whose verdict counts as done
	Repeats  int            `json:"repeats"`  // the others that must be recorded again
	Repeated int            `json:"repeated"` // those that were: their number, or all of their cell, counts by now
	Verdicts map[string]int `json:"verdicts"`
	Causes   []cause        `json:"causes,omitempty"` // of all that do not count, the most frequent first
	Lost     float64        `json:"lost_minutes"`     // bench time of these

	Campaign    string     `json:"campaign,omitempty"`
	Left        int        `json:"left_passes,omitempty"`
	LeftMinutes float64    `json:"left_minutes,omitempty"` // as the plan has it
	PaceMinutes float64    `json:"pace_minutes,omitempty"` // as this shift went; 0 where it does not tell
	DoneAt      *time.Time `json:"done_at,omitempty"`      // at the slower of the two, in days of the campaign's hours
}

// cause is a check that passes failed.
type cause struct {
	Check  string `json:"check"`
	Passes int    `json:"passes"`
}

// LastShift returns the passes since the last long pause; they are in order of time.
func LastShift(passes []record.Pass) []record.Pass {
	for i := len(passes) - 1; i > 0; i-- {
		if passes[i].StartedAt.Sub(passes[i-1].EndedAt) >= shiftPause {
			return passes[i:]
		}
	}
	return passes
}

// SumUp sums passes up; b is nil where there is no campaign.
func SumUp(bench string, passes []record.Pass, b *logbook.Book, page logbook.Page, now time.Time) Shift {
	x := Shift{Bench: bench, From: passes[0].StartedAt, To: passes[0].EndedAt, Verdicts: map[string]int{}}
	accept := []record.Verdict{record.Clean}
	if b != nil {
		accept = b.Campaign.Accept
	}
	counts := func(v record.Verdict) bool { return slices.Contains(accept, v) }
	again, causes := record.Repeated(passes, counts), map[string]int{}
	for _, p := range passes {
		x.Passes++
		x.Verdicts[cmp.Or(string(p.Verdict), "not judged")]++
		if p.EndedAt.After(x.To) {
			x.To = p.EndedAt
		}
		if p.Verdict == "" {
			continue
		}
		if counts(p.Verdict) {
			x.Good++
			continue
		}
		if again[p.ID] != "" || complete(p, b, page) {
			x.Repeated++
		} else {
			x.Repeats++
		}
		x.Lost += benchMinutes(p, b)
		for _, check := range checksBehind(p) {
			causes[check]++
		}
	}
	for check, n := range causes {
		x.Causes = append(x.Causes, cause{check, n})
	}
	slices.SortFunc(x.Causes, func(a, b cause) int { return cmp.Or(b.Passes-a.Passes, cmp.Compare(a.Check, b.Check)) })
	x.Hours = x.To.Sub(x.From).Hours()
	if b == nil {
		return x
	}
	x.Campaign = b.Campaign.Name
	x.Left, x.LeftMinutes = page.Coverage.All(page.Position)
	if x.Good > 0 {
		x.PaceMinutes = float64(x.Left) * 60 * x.Hours / float64(x.Good)
	}
	if x.Left > 0 {
		at := DoneAt(now, max(x.LeftMinutes, x.PaceMinutes)/60, b.Campaign.HoursPerDay)
		x.DoneAt = &at
	}
	return x
}

// complete reports whether the cell of a pass has all the passes that the campaign wants.
func complete(p record.Pass, b *logbook.Book, page logbook.Page) bool {
	if b == nil || !b.Campaign.Belongs(p, campaign.Era{}) {
		return false
	}
	i, _ := b.Plan.Place(b.Named(p).Tags)
	return i >= 0 && page.Coverage.State(i).Complete()
}

// benchMinutes is what a pass took: as the campaign has it, else as long as its log.
func benchMinutes(p record.Pass, b *logbook.Book) float64 {
	if b != nil {
		if g, ok := b.Campaign.Game(b.Named(p).Tags.Value(record.TagGame)); ok && g.PassMinutes > 0 {
			return g.PassMinutes
		}
	}
	return p.EndedAt.Sub(p.StartedAt).Minutes()
}

// checksBehind names the checks that a verdict rests on, "by hand" where none does.
func checksBehind(p record.Pass) (out []string) {
	want := map[record.Verdict]record.Outcome{record.VerdictBad: record.Bad, record.VerdictDoubtful: record.Doubtful,
		record.Unverified: record.NotChecked}[p.Verdict]
	for _, f := range p.Findings {
		if f.Outcome == want && !slices.Contains(out, f.Check) {
			out = append(out, f.Check)
		}
	}
	if p.Overruled != "" || len(out) == 0 {
		return []string{"by hand"}
	}
	return out
}

// DoneAt is when so many hours of work are over where each day has so many, the first of
// them beginning now.
func DoneAt(now time.Time, hours, perDay float64) time.Time {
	days := int(hours / perDay)
	rest := hours - float64(days)*perDay
	if rest == 0 && days > 0 {
		days, rest = days-1, perDay
	}
	return now.AddDate(0, 0, days).Add(time.Duration(rest * float64(time.Hour)))
}

func (x Shift) Print(a *cli.Streams, b *logbook.Book) {
	since := ""
	if x.Repeated > 0 {
		since = fmt.Sprintf(", %d repeated since", x.Repeated)
	}
	safe.Fprintf(a.Out, "%s, %s to %s (%s): %s, %d good, %d to repeat%s\n", safe.Plain(x.Bench), x.From.Local().
		Format("2006-01-02 15:04"), x.To.Local().Format("15:04"),
		clockHours(60*x.Hours), record.Count(x.Passes, "pass"), x.Good, x.Repeats, since)
	if len(x.Causes) > 0 {
		var why []string
		for _, c := range x.Causes {
			why = append(why, fmt.Sprintf("%s %d", c.Check, c.Passes))
		}
		safe.Fprintf(a.Out, "lost: %s (%s)\n", clockHours(x.Lost), strings.Join(why, ", "))
	}
	if n := x.Verdicts["not judged"]; n > 0 {
		safe.Fprintf(a.Out, "%s not judged yet\n", record.Count(n, "pass"))
	}
	if b == nil {
		return
	}
	if x.Left == 0 {
		safe.Fprintf(a.Out, "%s is complete\n", x.Campaign)
		return
	}
	safe.Fprintf(a.Out, "left of %s: %s, %s by the plan", x.Campaign, record.Count(x.Left, "pass"),
		clockHours(x.LeftMinutes))
	if x.PaceMinutes > 0 {
		safe.Fprintf(a.Out, ", %s at the pace of this shift", clockHours(x.PaceMinutes))
	}
	safe.Fprintf(a.Out, "; done on %s with %g hours a day\n", x.DoneAt.Local().Format("Monday 2006-01-02"),
		b.Campaign.HoursPerDay)
}

// clockHours prints minutes as hours and minutes.
func clockHours(minutes float64) string {
	if minutes < 59.5 {
		return fmt.Sprintf("%.0f min", minutes)
	}
	m := int(minutes + 0.5)
	return fmt.Sprintf("%d:%02d h", m/60, m%60)
}
