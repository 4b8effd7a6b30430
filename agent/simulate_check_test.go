package agent

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"capd.example/campaign"
	"capd.example/framelog"
	"capd.example/notify"
	"capd.example/record"
	"capd.example/store"
)

// mend ends all that goes wrong and lets the agent come to rest.
func (w *simulated) mend() {
	w.say("everything works again")
	w.mu.Lock()
	w.sick, w.down, w.refuses = time.Time{}, time.Time{}, time.Time{}
	w.life.commits, w.life.balks = -1, -1
	w.mu.Unlock()
	for _, f := range w.files {
		f.grows = false
		w.hold(f, false)
	}
	w.revive()
	w.mu.Lock()
	ag := w.life.agent
	w.mu.Unlock()
	w.must(ag.service.Resume(context.Background()))
	w.pass(time.Hour) // longer than the longest wait of an alert and of a log
	w.revive()
}

// settled checks what must hold once everything works and nothing is under way: each log
// of the folder is stored exactly once, judged by what its frames are, and every pass that
// is not clean was told on every channel, always with the same identity; what was said by
// hand stands, for one pass alone where it was said so; the position is a function of orders and passes; the store is whole.
func (w *simulated) settled() {
	ctx := context.Background()
	passes, err := w.hand.Passes(ctx, store.Filter{})
	w.must(err)
	w.passes, w.lived = len(passes), time.Since(w.began)
	revisions := w.revisions()
	for _, f := range w.files {
		w.storedOnce(f, revisions)
	}
	w.recordedOnce(revisions)
	w.bad = 0
	turns := map[string]string{}
	for _, p := range passes {
		if turn := p.Tags.Value(turnTag); turn != "" {
			if other, is := turns[turn]; is {
				w.fail("passes %s and %s both have the tag for one pass alone, %s=%s", other, p.ID, turnTag, turn)
			}
			turns[turn] = p.ID
		}
		w.judgedRight(p)
		w.saidByHand(p)
	}
	left, err := w.hand.Unfinished(ctx)
	w.must(err)
	for _, u := range left {
		w.fail("pass %s is still %s", u.Pass.ID, u.State)
	}
	if n, err := w.hand.Undelivered(ctx); err != nil || n > 0 {
		w.fail("%d alerts are undelivered, %v", n, err)
	}
	w.position()
	if r, err := w.hand.Verify(ctx); err != nil || len(r.Problems) > 0 || r.Whole != len(passes) {
		w.fail("the store is not whole: %+v, %v", r, err)
	}
}

// revisions returns which passes hold the bytes of a SHA-256.
func (w *simulated) revisions() map[string][]string {
	rows, err := w.raw.Query(`SELECT r.sha256, p.id FROM revisions r JOIN pass_rows p ON p.n = r.pass`)
	w.must(err)
	defer rows.Close()
	out := map[string][]string{}
	for rows.Next() {
		var sha, id string
		w.must(rows.Scan(&sha, &id))
		out[sha] = append(out[sha], id)
		if _, was := w.written[sha]; !was {
			w.fail("pass %s holds bytes that never were in the folder", id)
		}
	}
	w.must(rows.Err())
	return out
}

func (w *simulated) storedOnce(f *logFile, revisions map[string][]string) {
	sum := sha256.Sum256(f.text)
	sha := hex.EncodeToString(sum[:])
	_, _, unreadable := framelog.ReadFile(f.path, framelog.Options{})
	if unreadable == nil {
		if n := len(revisions[sha]); n != 1 {
			w.fail("%s is stored %d times", w.rel(f.path), n)
		}
		return
	}
	if len(revisions[sha]) > 0 {
		w.fail("%s cannot be read and is stored", w.rel(f.path))
	}
	for _, channel := range channels {
		if ids := w.told[channel][string(notify.UnreadableLog)+" "+f.path]; len(ids) == 0 {
			w.fail("%s: nobody was told that %s cannot be read: %v", channel, w.rel(f.path), unreadable)
		}
	}
}

// recordedOnce: what a logger wrote little by little is one pass, also where it was taken
// before its end and renamed meanwhile.
func (w *simulated) recordedOnce(revisions map[string][]string) {
	of := map[string][]string{}
	for sha, name := range w.written {
		for _, id := range revisions[sha] {
			if !slices.Contains(of[name], id) {
				of[name] = append(of[name], id)
			}
		}
	}
	for _, f := range w.files {
		if f.even && len(of[f.name]) > 1 {
			w.fail("%s is one recording and stored as %d passes: %s", w.rel(f.path), len(of[f.name]), strings.Join(of[f.name], ", "))
		}
	}
}

var channels = []string{"web hook", "command"}

func (w *simulated) judgedRight(p record.Pass) {
	ctx := context.Background()
	frames, err := w.hand.Frames(ctx, p.ID)
	w.must(err)
	history, err := w.hand.Judgements(ctx, p.ID)
	w.must(err)
	judged := -1 // the last: one put back before anybody was told of it is judged and told like a new one
	for i, j := range history {
		if j.Kind == "checked" && j.Revision == p.Revision {
			judged = i
		}
	}
	if judged < 0 {
		w.fail("pass %s was never judged", p.ID)
		return
	}
	arrived := history[judged].Verdict
	for i, j := range history { // it is looked at again when another of its cell comes, or when it got no answer
		if j.Kind == "rechecked" && j.Revision == p.Revision {
			judged = i
		}
	}
	found, verdict := history[judged].Findings, history[judged].Verdict
	want := map[string]record.Outcome{"completeness": record.OK, "hitches": record.OK}
	if length(frames.MS) < 0.9*w.config.Expect.DurationS {
		want["completeness"] = record.Bad
	}
	if pauses(frames.MS) {
		want["hitches"] = record.Doubtful
	}
	for check, outcome := range want {
		i := slices.IndexFunc(found, func(f record.Finding) bool { return f.Check == check })
		if i < 0 || found[i].Outcome != outcome {
			w.fail("pass %s: %s should be %s: %+v", p.ID, check, outcome, found)
		}
	}
	if verdict != record.Judge(found, w.config.Checks.Required) {
		w.fail("pass %s is %s by findings that say %s", p.ID, verdict, record.Judge(found, w.config.Checks.Required))
	}
	if _, byHand := w.verdicts[p.ID]; !byHand && p.Verdict != verdict {
		w.fail("pass %s is %s and was judged %s", p.ID, p.Verdict, verdict)
	}
	if verdict != arrived && verdict != record.Clean && w.verdicts[p.ID] == (overruled{}) {
		for _, channel := range channels {
			if !w.moved[channel+" "+p.SHA256+" "+string(verdict)] {
				w.fail("%s: nobody was told that pass %s is %s now", channel, p.ID, verdict)
			}
		}
	}
	kind := map[record.Verdict]notify.Kind{record.VerdictBad: notify.BadPass, record.VerdictDoubtful: notify.DoubtfulPass, record.Unverified: notify.UnverifiedPass}[arrived]
	if kind == "" {
		return
	}
	w.bad++
	w.newOnce(p)
	for _, channel := range channels {
		ids := slices.Clone(w.told[channel][string(kind)+" "+p.SHA256])
		slices.Sort(ids)
		if ids = slices.Compact(ids); len(ids) == 0 && w.verdicts[p.ID] == (overruled{}) {
			w.fail("%s: nobody was told that pass %s is %s", channel, p.ID, arrived)
		} else if len(ids) > 1 {
			w.fail("%s was told of pass %s under %d identities", channel, p.ID, len(ids))
		}
	}
}

// newOnce: a pass is told as new by one verdict. Another one that comes later is told as a change
// of it, also where the pass was put back in between; only a crash may come between an alert
// and the note that it was handed on.
func (w *simulated) newOnce(p record.Pass) {
	if w.crashes > 0 {
		return
	}
	for _, channel := range channels {
		var as []string
		for _, kind := range []notify.Kind{notify.BadPass, notify.DoubtfulPass, notify.UnverifiedPass} {
			if len(w.told[channel][string(kind)+" "+p.SHA256]) > 0 {
				as = append(as, string(kind))
			}
		}
		if len(as) > 1 {
			w.fail("%s: pass %s is told as new twice: %s", channel, p.ID, strings.Join(as, ", "))
		}
	}
}

func (w *simulated) saidByHand(p record.Pass) {
	for name, value := range w.tags[p.ID] {
		if got := p.Tags[name]; got != (record.Tag{Value: value, From: record.FromHand}) {
			w.fail("pass %s was given %s=%s by hand and has %+v", p.ID, name, value, got)
		}
	}
	if o, ok := w.verdicts[p.ID]; ok && o.revision == p.Revision && p.Verdict != o.verdict {
		w.fail("pass %s was overruled %s and is %s", p.ID, o.verdict, p.Verdict)
	}
}

// ordered is an order that was taken.
type ordered struct {
	verb campaign.Verb
	cell int
	stay bool
	at   time.Time
}

// position compares where the campaign stands with a model of its own: a list of cells, a
// count for each, and the rule that of the open cells the one comes next that shares the
// most of the costliest factors with the current one, later ones first.
func (w *simulated) position() {
	page, err := w.book.Read(context.Background(), w.hand, w.config.Bench)
	w.must(err)
	m := model{w: w, at: -1, done: make([]int, w.book.Plan.Len()), skipped: make([]bool, w.book.Plan.Len())}
	passes := slices.Clone(page.Passes)
	slices.SortStableFunc(passes, func(a, b record.Pass) int { return a.EndedAt.Compare(b.EndedAt) })
	for _, o := range w.orders {
		for len(passes) > 0 && passes[0].EndedAt.Before(o.at) {
			m.pass(passes[0])
			passes = passes[1:]
		}
		m.order(o)
	}
	for _, p := range passes {
		m.pass(p)
	}
	skipped := make([]bool, len(m.skipped))
	for cell, is := range page.Position.Skipped {
		skipped[cell] = is
	}
	if page.Position.Cell != m.at || page.Position.Stay != m.stay || !slices.Equal(skipped, m.skipped) {
		w.fail("the campaign stands at cell %d (stays %v, skipped %v), orders and passes say %d (%v, %v)",
			page.Position.Cell, page.Position.Stay, skipped, m.at, m.stay, m.skipped)
	}
}

type model struct {
	w       *simulated
	at      int
	stay    bool
	done    []int
	skipped []bool
}

// fits lists the cells that a pass with these tags can be of.
func (m *model) fits(tags record.Tags) (out []int) {
	for i := range m.done {
		fits := true
		for name, value := range m.w.book.Plan.Cell(i) {
			if is := tags.Value(name); is != "" && is != value {
				fits = false
			}
		}
		if fits {
			out = append(out, i)
		}
	}
	return out
}

func (m *model) pass(p record.Pass) {
	cells := m.fits(p.Tags)
	if len(cells) != 1 || p.Verdict != record.Clean && p.Verdict != record.Unverified {
		return
	}
	if m.done[cells[0]]++; cells[0] == m.at {
		m.goOn()
	}
}

func (m *model) order(o ordered) {
	if o.verb == campaign.Skip {
		if m.skipped[o.cell] = true; o.cell == m.at {
			m.stay = false
			m.goOn()
		}
		return
	}
	m.skipped[o.cell] = false
	m.at, m.stay = o.cell, o.stay
	m.goOn()
}

func (m *model) open(i int) bool { return m.done[i] < m.w.book.Campaign.Passes && !m.skipped[i] }

func (m *model) goOn() {
	if m.at < 0 || m.stay || m.open(m.at) {
		return
	}
	best, from := -1, m.at
	rank := func(i int) (shared, later, near int) {
		a, b := m.w.book.Plan.Cell(from), m.w.book.Plan.Cell(i)
		for _, f := range m.w.book.Plan.Factors() {
			if a[f.Name] != b[f.Name] {
				break
			}
			shared++
		}
		if i > from {
			later = 1
		}
		return shared, later, -i
	}
	for i := range m.done {
		if !m.open(i) || i == from {
			continue
		}
		if best < 0 {
			best = i
			continue
		}
		s1, l1, n1 := rank(i)
		s2, l2, n2 := rank(best)
		if cmp.Or(cmp.Compare(s1, s2), cmp.Compare(l1, l2), cmp.Compare(n1, n2)) > 0 {
			best = i
		}
	}
	m.at = best
}
