package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"capd.example/record"
)

// unchecked is a check that could not look at a pass, and why.
type unchecked struct{ Check, Reason string }

// note says once why a check could not look at several passes.
type note struct {
	unchecked
	Passes int
}

// notes finds what is worth saying once, and numbers it from 1: reasons of at least three
// passes and of one in a hundred, so that the list stays short beside the passes.
func notes(passes []record.Pass) ([]note, map[unchecked]int) {
	n := map[unchecked]int{}
	for _, p := range passes {
		for _, f := range p.Findings {
			if f.Outcome == record.NotChecked {
				n[unchecked{f.Check, f.Reason}]++
			}
		}
	}
	var out []note
	for u, k := range n {
		if k >= max(3, len(passes)/100) {
			out = append(out, note{u, k})
		}
	}
	slices.SortFunc(out, func(a, b note) int {
		return cmp.Or(cmp.Compare(a.Check, b.Check), cmp.Compare(b.Passes, a.Passes), cmp.Compare(a.Reason, b.Reason))
	})
	at := map[unchecked]int{}
	for i, x := range out {
		at[x.unchecked] = i + 1
	}
	return out, at
}

// passCount says how many passes there are, how many count, and by what the others are
// left out: the check that found them bad first, a person, or no frame rate.
func (r *Report) passCount(n counts) string {
	s := fmt.Sprintf("%s: %d count, %d left out", record.Count(n.Passes, "pass"), n.Used, n.LeftOut)
	if n.LeftOut == 0 {
		return s
	}
	passes := map[string]record.Pass{}
	for _, p := range r.in.Passes {
		passes[p.ID] = p
	}
	by := map[string]int{}
	for _, c := range r.Cells {
		for _, l := range c.Passes.LeftOut {
			by[leftOutBy(passes[l.ID], l.Why)]++
		}
	}
	reasons := keys(by)
	slices.SortStableFunc(reasons, func(a, b string) int { return by[b] - by[a] })
	for i, k := range reasons {
		reasons[i] = fmt.Sprintf("%s %d", k, by[k])
	}
	return s + " (" + strings.Join(reasons, ", ") + ")"
}

// leftOutBy shortens why a pass is left out to its kind.
func leftOutBy(p record.Pass, why string) string {
	switch {
	case p.Verdict != record.VerdictBad:
		return "no frame rate"
	case p.Overruled != "":
		return "judged by hand"
	}
	for _, f := range p.Findings {
		if f.Outcome == record.Bad && strings.HasPrefix(why, f.Check+": ") {
			return f.Check
		}
	}
	return why
}
