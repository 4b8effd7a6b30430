package critical

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"capd.example/record"
)

// Check is the name of the check that judges by this rule.
const Check = "agreement"

// Pass is a pass of a cell as the rule sees it.
type Pass struct {
	ID      string
	Name    string // as people know it: "pass 2"; "" where they do not
	At      time.Time
	Session string // of [record.SessionOf]; passes without are of one session
	Metrics record.Metrics
	// Bad passes count for nothing.
	Bad bool
	// Own says that something else is doubtful about the pass. It is compared with the
	// others and does not count against them.
	Own bool
}

// PassOf returns a judged pass as the rule sees it. What was said by hand outranks the
// findings; what agreement itself found is no cause of a pass's own.
func PassOf(p record.Pass) Pass {
	out := Pass{ID: p.ID, At: p.StartedAt, Metrics: p.Metrics}
	if n := p.Tags.Value(record.TagPass); n != "" {
		out.Name = "pass " + n
	}
	if p.Overruled != "" {
		out.Bad, out.Own = p.Verdict == record.VerdictBad, p.Verdict == record.VerdictDoubtful
		return out
	}
	found := false
	for _, f := range p.Findings {
		found = found || f.Outcome == record.Bad || f.Outcome == record.Doubtful
		if f.Check != Check {
			out.Bad = out.Bad || f.Outcome == record.Bad
			out.Own = out.Own || f.Outcome == record.Doubtful
		}
	}
	if !found { // it came without its findings
		out.Bad, out.Own = p.Verdict == record.VerdictBad, p.Verdict == record.VerdictDoubtful
	}
	return out
}

// PassesOf returns passes of one cell as the rule sees them, with the sessions into which
// they divide. A system that was detected after a pass had ended counts as that of the pass:
// passes that are held against each other have one system as far as anybody knows.
func PassesOf(passes []record.Pass) []Pass {
	taken := slices.Clone(passes)
	for i := range taken {
		taken[i].Claims = nil
	}
	session := record.SessionOf(taken)
	out := make([]Pass, len(passes))
	for i, p := range passes {
		out[i] = PassOf(p)
		out[i].Session = session[p.ID]
	}
	return out
}

// Figure is what the rule says of one figure of a set of passes.
type Figure struct {
	Metric string
	Unable string // why nothing can be said; "" where something is

	RangePercent, LimitPercent float64
	Accepted                   bool
	// Apart are the identities of passes that stand apart from all others, which agree;
	// none where the set is accepted or nobody can tell.
	Apart []string

	what   string
	set    []Pass // those compared
	rest   []Pass // without those apart
	limit  limit  // of the set
	limits func(n int) limit
}

// Compare compares all passes of a set with each other, whatever else is known of them;
// spread is the repeatability of comparable other cells by figure. The 1% lows are compared
// without the passes whose averages stand apart.
func (r Rule) Compare(set []Pass, spread map[string]record.Spread) []Figure {
	avg := r.figure(r.Average, Average, set, spread[Average])
	set = slices.DeleteFunc(slices.Clone(set), func(p Pass) bool { return slices.Contains(avg.Apart, p.ID) })
	return []Figure{avg, r.figure(r.Low1, Low1, set, spread[Low1])}
}

// toMiddle compares a pass with the middle of other sessions. Its distance from there has at
// most the variance of the difference of two passes of different sessions, whatever the
// number of sessions: the limit is that for two.
func (r Rule) toMiddle(p Pass, others [][]Pass, across map[string]record.Spread) []Figure {
	var out []Figure
	for _, m := range []struct {
		name   string
		bounds Bounds
	}{{Average, r.Average}, {Low1, r.Low1}} {
		f := r.figure(m.bounds, m.name, []Pass{p, middleOf(others, m.name, p.value(m.name))}, across[m.name])
		f.limit.across = true
		limits := f.limits
		f.limits = func(n int) limit { l := limits(n); l.across = true; return l }
		out = append(out, f)
		if f.Unable == "" && !f.Accepted {
			break // a wrong average makes a wrong 1% low
		}
	}
	return out
}

var whats = map[string]string{Average: "averages", Low1: "1% lows"}

func (p Pass) value(metric string) float64 {
	if metric == Low1 {
		return p.Metrics.Low1FPS
	}
	return p.Metrics.AvgFPS
}

func (r Rule) figure(b Bounds, metric string, set []Pass, s record.Spread) Figure {
	f := Figure{Metric: metric, what: whats[metric], set: set, rest: set}
	few := 1.0
	tail := 0.0 // of the pass whose tail is known worst: the others may just lack its hitch
	for _, p := range set {
		if metric == Low1 && p.Metrics.Low1Sparse {
			f.Unable = "1% lows, which rest on fewer than ten frames"
			return f
		}
		if v := p.value(metric); !(v > 0) || math.IsInf(v, 1) {
			f.Unable = f.what + ": a pass has " + number(v)
			return f
		}
		if metric == Low1 {
			tail = max(tail, tailError(p.Metrics))
			few = max(few, math.Sqrt(fullPass/math.Max(1, float64(p.Metrics.Frames))))
		}
	}
	f.limits = func(n int) limit { return b.limit(r, s, n, tail, few) }
	f.limit = f.limits(len(set))
	f.RangePercent, f.LimitPercent = 100*math.Expm1(f.spread(set)), f.limit.percent()
	f.Accepted = f.spread(set) <= f.limit.ln
	if !f.Accepted {
		f.stand()
	}
	return f
}

// spread returns the range of the logarithms.
func (f Figure) spread(set []Pass) float64 {
	if len(set) < 2 {
		return 0
	}
	lo, hi := f.ends(set)
	return math.Log(hi / lo)
}

func (f Figure) ends(set []Pass) (lo, hi float64) {
	lo, hi = math.Inf(1), 0
	for _, p := range set {
		lo, hi = min(lo, p.value(f.Metric)), max(hi, p.value(f.Metric))
	}
	return lo, hi
}

// apartness is how far passes must lie from those that agree to be said to stand apart, in
// units of the limit, and how closely those must lie together, in units of that distance.
// Found by simulation (cell_test.go): with one pass of three to six displaced by 0 to 30
// standard deviations, an innocent one is named in at most 1 % of the cells, by each
// figure. Where comparable cells tell how well passes repeat that holds whatever they
// repeat to; where the limit is a convention, up to a noise of a pass of two thirds of it.
type apartness struct{ distance, together float64 }

func apart(k kind, n int) apartness {
	switch {
	case k != stated && k != tail:
		return apartness{0.75, 0.5}
	case n == 3:
		return apartness{2, 0.1}
	}
	return apartness{1.5, 0.1}
}

// stand finds the passes that stand apart: the others are the one largest group that
// agrees, more than half of the set, and close together as seen from those outside.
func (f *Figure) stand() {
	n := len(f.set)
	sorted := slices.Clone(f.set)
	slices.SortFunc(sorted, func(a, b Pass) int { return cmp.Compare(a.value(f.Metric), b.value(f.Metric)) })
	ln := make([]float64, n)
	for i, p := range sorted {
		ln[i] = math.Log(p.value(f.Metric))
	}
	far := apart(f.limit.kind, n)
	for size := n - 1; size > n/2; size-- {
		found, at := 0, 0
		inside := f.limits(size).ln
		for lo := 0; lo+size <= n; lo++ {
			wide, gap := ln[lo+size-1]-ln[lo], math.Inf(1)
			if lo > 0 {
				gap = ln[lo] - ln[lo-1]
			}
			if lo+size < n {
				gap = min(gap, ln[lo+size]-ln[lo+size-1])
			}
			if wide <= inside && gap >= far.distance*f.limit.ln && wide <= far.together*gap {
				found, at = found+1, lo
			}
		}
		if found > 1 {
			return
		}
		if found == 1 {
			f.rest = sorted[at : at+size]
			for i, p := range sorted {
				if i < at || i >= at+size {
					f.Apart = append(f.Apart, p.ID)
				}
			}
			return
		}
	}
}

// Verdicts returns the finding about each pass of a cell, by identity. It depends on the
// passes alone, not on the order in which they are given or came: they are taken in order
// of their start, then identity. Within is what passes of one session of comparable cells
// repeat to, across what passes of different sessions do; either may lack a figure.
//
// Passes of one session without a cause of their own are compared with each other, Latest
// at a time: each with those that follow it, the last ones with each other. Where some of
// them stand apart those are doubtful and the others are not; where nobody can tell, the
// other sessions decide, else all are. A pass that is alone in its session is compared with
// the middle of other sessions. A pass with a cause of its own is compared with the others
// and changes nothing about them. Where every pass has one, they are compared with each
// other, bad ones aside.
func (r Rule) Verdicts(passes []Pass, within, across map[string]record.Spread) map[string]record.Finding {
	all := slices.SortedFunc(slices.Values(passes), inTime)
	counts := func(p Pass) bool { return !p.Bad && !p.Own }
	if !slices.ContainsFunc(all, counts) {
		counts = func(p Pass) bool { return !p.Bad }
	}
	var sessions [][]Pass // the passes that count, in order of the first of them
	at := map[string]int{}
	for _, p := range all {
		if !counts(p) {
			continue
		}
		i, seen := at[p.Session]
		if !seen {
			i = len(sessions)
			at[p.Session] = i
			sessions = append(sessions, nil)
		}
		sessions[i] = append(sessions[i], p)
	}
	latest := r.Latest
	if latest < 1 {
		latest = max(1, len(all))
	}
	out := make(map[string]record.Finding, len(all))
	for i, good := range sessions {
		if len(good) == 1 && len(sessions) > 1 {
			out[good[0].ID] = r.across(good[0], around(sessions, i, latest), across)
			continue
		}
		known := map[int]opinion{} // by the first pass of those compared
		for j, p := range good {
			key := max(0, min(j, len(good)-latest))
			if _, is := known[key]; !is {
				known[key] = r.opinion(from(good, j, latest), around(sessions, i, latest), within, across)
			}
			out[p.ID] = r.among(p, len(all), known[key])
		}
	}
	for _, p := range all {
		if counts(p) {
			continue
		}
		if i, has := at[p.Session]; has || len(sessions) == 0 {
			var others []Pass
			if has {
				others = from(sessions[i], startedBefore(sessions[i], p), max(1, latest-1))
			}
			out[p.ID] = r.beside(p, others, within)
			continue
		}
		first := 0
		for first < len(sessions) && !sessions[first][0].At.After(p.At) {
			first++
		}
		out[p.ID] = r.across(p, from(sessions, first, max(1, latest-1)), across)
	}
	return out
}

// startedBefore returns how many passes of a list in order come before p.
func startedBefore(list []Pass, p Pass) int {
	n := 0
	for n < len(list) && inTime(list[n], p) < 0 {
		n++
	}
	return n
}

// inTime orders passes by their start, then identity.
func inTime(a, b Pass) int { return cmp.Or(a.At.Compare(b.At), strings.Compare(a.ID, b.ID)) }

// opinion is what passes of one session say of each other.
type opinion struct {
	set     []Pass
	figures []Figure
	// settled are the findings about passes of which their session cannot tell which is
	// wrong, where other sessions can.
	settled map[string]record.Finding
}

func (r Rule) opinion(set []Pass, others [][]Pass, within, across map[string]record.Spread) opinion {
	o := opinion{set: set, figures: r.Compare(set, within)}
	undecided := func(f Figure) bool { return f.Unable == "" && !f.Accepted && len(f.Apart) == 0 }
	if len(others) == 0 || !slices.ContainsFunc(o.figures, undecided) {
		return o
	}
	found := map[string]record.Finding{}
	var fit []Pass
	for _, p := range set {
		found[p.ID] = r.across(p, others, across)
		switch found[p.ID].Outcome {
		case record.OK:
			fit = append(fit, p)
		case record.NotChecked:
			return o
		}
	}
	agree := func(f Figure) bool { return f.Unable != "" || f.Accepted }
	if n := len(fit); n == 0 || n == len(set) || n > 1 &&
		slices.ContainsFunc(r.Compare(fit, within), func(f Figure) bool { return !agree(f) }) {
		return o
	}
	o.settled = found
	return o
}

// from returns so many items from the given one on, or the last ones.
func from[T any](list []T, first, count int) []T {
	first = max(0, min(first, len(list)-count))
	return list[first:min(first+count, len(list))]
}

// around returns the sessions beside the given one, of those that are looked at with it.
func around(sessions [][]Pass, i, latest int) [][]Pass {
	near := from(sessions, i, max(2, latest))
	first := max(0, min(i, len(sessions)-max(2, latest)))
	return slices.Delete(slices.Clone(near), i-first, i-first+1)
}

// middle returns the item in the middle of values of a figure; of two middles that nearer
// to v, the lower one where both are as near.
func middle(list []Pass, metric string, v float64) Pass {
	sorted := slices.SortedFunc(slices.Values(list), func(a, b Pass) int {
		return cmp.Or(cmp.Compare(a.value(metric), b.value(metric)), strings.Compare(a.ID, b.ID))
	})
	low, high := sorted[(len(sorted)-1)/2], sorted[len(sorted)/2]
	if high.value(metric)*low.value(metric) < v*v { // nearer on logarithms
		return high
	}
	return low
}

// middleOf returns the pass in the middle of the middles of sessions.
func middleOf(sessions [][]Pass, metric string, v float64) Pass {
	list := make([]Pass, len(sessions))
	for i, s := range sessions {
		list[i] = middle(s, metric, v)
	}
	return middle(list, metric, v)
}
