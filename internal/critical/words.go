package critical

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"capd.example/record"
)

// among is the finding about a pass among those of its session that it was compared with.
func (r Rule) among(p Pass, all int, o opinion) record.Finding {
	set, figures := o.set, o.figures
	if f, is := o.settled[p.ID]; is {
		f.Reason = "its session cannot tell which of " + record.Count(len(set), "pass") + " is wrong; " + f.Reason
		return f
	}
	n := len(set)
	numbers := map[string]float64{"passes": float64(n)}
	if n < 2 {
		why := "this is the first usable pass of its cell"
		if all > 1 {
			why = "no other pass of its cell is fit to be compared with: " + record.Count(all-1, "pass") +
				" bad or doubtful by other checks"
		}
		return record.Finding{Outcome: record.NotChecked, Reason: why, Numbers: numbers}
	}
	var ok, unable, doubt, aside []string
	todo := ""
	for _, f := range figures {
		if f.Unable != "" {
			unable = append(unable, f.Unable)
			continue
		}
		if !slices.ContainsFunc(f.set, func(x Pass) bool { return x.ID == p.ID }) {
			continue // its average stands apart already
		}
		f.put(numbers)
		switch {
		case f.Accepted:
			ok = append(ok, f.agreed(f.set))
		case slices.Contains(f.Apart, p.ID):
			doubt = append(doubt, f.alone(p))
			todo = leaveOut("repeat this pass", []string{p.ID}, "stands apart")
		case len(f.Apart) > 0:
			ok = append(ok, f.agreed(f.rest))
			aside = append(aside, f.Apart...)
		default:
			doubt = append(doubt, f.differ())
			todo = advice(n) + "; if you know that this pass is the wrong one: capctl overrule " + p.ID +
				` bad --why "the others are right"`
		}
	}
	out := record.Finding{Outcome: record.OK, Numbers: numbers}
	switch {
	case len(doubt) > 0:
		out.Outcome, out.Reason, out.Advice = record.Doubtful, strings.Join(doubt, "; "), todo
	case len(ok) == 0:
		out.Outcome, out.Reason = record.NotChecked, strings.Join(unable, "; ")
	default:
		agree := n
		if len(aside) > 0 {
			slices.Sort(aside)
			agree -= len(slices.Compact(aside))
		}
		out.Reason = fmt.Sprintf("%d passes agree: %s", agree, strings.Join(ok, " and "))
		if len(aside) > 0 {
			out.Reason += "; " + names(set, aside) + " " + plural(aside, "stands", "stand") + " apart"
		}
		if len(unable) > 0 {
			out.Reason += " (not looked at: " + strings.Join(unable, "; ") + ")"
		}
	}
	return out
}

// NotComparable returns a finding about a pass whose tags name no cell, for the one that a
// check without history made.
func NotComparable(f record.Finding, pass string) record.Finding {
	f.Outcome, f.Reason, f.Numbers = record.NotChecked, record.NoCell, map[string]float64{"passes": 1}
	f.Advice = "name its game: capctl tag " + pass +
		" game=NAME; for the logs to come, a template with {game} in paths under [tags], or 'capctl begin game=NAME'"
	return f
}

// beside is the finding about a pass with a cause of its own beside the others.
func (r Rule) beside(p Pass, others []Pass, spread map[string]record.Spread) record.Finding {
	numbers := map[string]float64{"passes": float64(len(others) + 1)}
	out := record.Finding{Outcome: record.NotChecked, Numbers: numbers}
	if len(others) == 0 {
		out.Reason = "this is the first usable pass of its cell"
		return out
	}
	var ok, unable, doubt []string
	for _, of := range r.Compare(others, spread) {
		if of.Unable == "" && !of.Accepted && len(of.Apart) == 0 {
			of.Unable = "the cell's other passes do not agree"
		}
		f := of
		if f.Unable == "" {
			b := r.Average
			if f.Metric == Low1 {
				b = r.Low1
			}
			f = r.figure(b, f.Metric, append(slices.Clone(of.rest), p), spread[f.Metric])
		}
		if f.Unable != "" {
			unable = append(unable, f.Unable)
			continue
		}
		f.put(numbers)
		if f.Accepted {
			ok = append(ok, f.agreed(f.set))
			continue
		}
		lo, hi := f.ends(of.rest)
		doubt = append(doubt, fmt.Sprintf("its %s of %.1f FPS is not like that of %s (%s); %s", single[f.Metric],
			p.value(f.Metric),
			otherPasses(len(of.rest)), span(lo, hi), f.limit.normal()))
		break // a wrong average makes a wrong 1% low
	}
	switch {
	case len(doubt) > 0:
		out.Outcome, out.Reason = record.Doubtful, doubt[0]
		out.Advice = leaveOut("repeat this pass", []string{p.ID}, "not like the others")
	case len(ok) == 0:
		out.Reason = strings.Join(slices.Compact(unable), "; ")
	default:
		out.Outcome, out.Reason = record.OK, fmt.Sprintf("as %s: %s", otherPasses(len(others)), strings.Join(ok, " and "))
		if len(unable) > 0 {
			out.Reason += " (not looked at: " + strings.Join(unable, "; ") + ")"
		}
	}
	return out
}

// across is the finding about a pass beside those of other sessions.
func (r Rule) across(p Pass, others [][]Pass, spread map[string]record.Spread) record.Finding {
	out := record.Finding{Numbers: map[string]float64{"passes": 1, "sessions": float64(len(others) + 1)}}
	for _, s := range others {
		out.Numbers["passes"] += float64(len(s))
	}
	with := "another session"
	if len(others) > 1 {
		with = fmt.Sprintf("the middle of %d other sessions", len(others))
	}
	var ok, unable []string
	for _, f := range r.toMiddle(p, others, spread) {
		if f.Unable != "" {
			unable = append(unable, f.Unable)
			continue
		}
		f.put(out.Numbers)
		if !f.Accepted {
			a, _ := digits(f.RangePercent, f.LimitPercent)
			out.Outcome = record.Doubtful
			out.Reason = fmt.Sprintf("its %s of %.1f FPS is %s %% from %s (%.1f FPS); %s", single[f.Metric], p.value(f.Metric),
				a, with,
				f.set[1].value(f.Metric), f.limit.normalBeside(f.RangePercent))
			out.Advice = leaveOut("measure the cell once more in this session, without a restart or a change of parts",
				[]string{p.ID}, "not like other sessions")
			return out
		}
		ok = append(ok, f.agreed(f.set))
	}
	if len(ok) == 0 {
		out.Outcome, out.Reason = record.NotChecked, strings.Join(slices.Compact(unable), "; ")
		return out
	}
	out.Outcome, out.Reason = record.OK, fmt.Sprintf("as %s: %s", with, strings.Join(ok, " and "))
	if len(unable) > 0 {
		out.Reason += " (not looked at: " + strings.Join(unable, "; ") + ")"
	}
	return out
}

var single = map[string]string{Average: "average", Low1: "1% low"}

func otherPasses(n int) string {
	if n == 1 {
		return "the cell's other pass"
	}
	return fmt.Sprintf("the cell's %d other passes", n)
}

// put notes the figure's numbers.
func (f Figure) put(numbers map[string]float64) {
	short := strings.TrimSuffix(f.Metric, "_fps")
	numbers[short+"_range_percent"], numbers[short+"_limit_percent"] = f.RangePercent, f.LimitPercent
	if f.limit.from.SD > 0 {
		of := "_repeatability_percent"
		if f.limit.across {
			of = "_across_sessions_percent"
		}
		numbers[short+of], numbers[short+"_df"] = 100*f.limit.from.SD, f.limit.from.DF
	}
}

// Text says it for people: of the set as a whole.
func (f Figure) Text() string {
	switch {
	case f.Unable != "":
		return "not compared: " + f.Unable
	case f.Accepted:
		return f.agreed(f.set)
	case len(f.Apart) > 0:
		lo, hi := f.ends(f.rest)
		return fmt.Sprintf("the %s of %s %s apart from the others (%s)", plural(f.Apart, single[f.Metric], f.what),
			names(f.set, f.Apart), plural(f.Apart, "stands", "stand"), span(lo, hi))
	}
	return f.differ()
}

func (f Figure) agreed(set []Pass) string {
	wide := f.spread(set)
	if wide == 0 && len(set) > 1 {
		return f.what + " equal to the last digit, as copies of one log would be"
	}
	l := f.limits(len(set))
	a, _ := digits(100*math.Expm1(wide), l.percent())
	return fmt.Sprintf("%s within %s %% (%s)", f.what, a, l.normal())
}

func (f Figure) differ() string {
	a, _ := digits(f.RangePercent, f.LimitPercent)
	return fmt.Sprintf("the %s of %d passes (%s) differ by %s %%; %s", f.what, len(f.set), f.list(), a,
		f.limit.normalBeside(f.RangePercent))
}

// alone says of one pass that it stands apart.
func (f Figure) alone(p Pass) string {
	lo, hi := f.ends(f.rest)
	return fmt.Sprintf("its %s of %.1f FPS stands apart: %s agree (%s)", single[f.Metric], p.value(f.Metric),
		otherPasses(len(f.rest)), span(lo, hi))
}

func span(lo, hi float64) string {
	a, b := fmt.Sprintf("%.1f", lo), fmt.Sprintf("%.1f", hi)
	if a == b {
		return a + " FPS"
	}
	return a + " to " + b + " FPS"
}

// normal says what the limit is.
func (l limit) normal() string { return l.normalBeside(l.percent()) }

// normalBeside says it with as many digits as tell it from another number.
func (l limit) normalBeside(other float64) string {
	_, b := digits(other, l.percent())
	switch {
	case l.across && l.kind == most:
		return fmt.Sprintf("more than %s %% is too much to compare anything, although sessions here differ so much", b)
	case l.across && l.kind == stated:
		return fmt.Sprintf("fixed limit of %s %%: how far sessions differ here is not known yet", b)
	case l.across && l.kind != tail:
		return fmt.Sprintf("between sessions %s %% is the most that is normal here", b)
	}
	switch l.kind {
	case most:
		return fmt.Sprintf("more than %s %% is too much to compare anything, although passes here repeat so badly", b)
	case stated:
		return fmt.Sprintf("fixed limit of %s %%: too few passes so far", b)
	case tail:
		return fmt.Sprintf("up to %s %% can come from so few slow frames", b)
	}
	return fmt.Sprintf("here %s %% is the most that is normal", b)
}

// Advice says what to do about a set that is not accepted.
func (f Figure) Advice() string {
	if len(f.Apart) > 0 && len(f.Apart) <= mostListed {
		return leaveOut("repeat "+names(f.set, f.Apart), f.Apart, "stands apart") +
			"; until then the table shows the middle value, marked *"
	}
	return advice(len(f.set))
}

// leaveOut says what to do about passes, and the commands that end the matter.
func leaveOut(do string, ids []string, why string) string {
	var commands []string
	for _, id := range ids {
		commands = append(commands, fmt.Sprintf("capctl overrule %s bad --why %q", id, why))
	}
	it := "it"
	if len(ids) > 1 {
		it = "them"
	}
	return do + ", or leave " + it + " out: " + strings.Join(commands, "; ")
}

// advice says what to do about n passes that do not agree.
func advice(n int) string {
	const shown = "; until then the table shows the middle value, marked *"
	if n > 3 {
		return "look for what differs between the passes, then measure the cell again" + shown
	}
	return "measure one more pass" + shown
}

// mostListed is how many passes a sentence names one by one.
const mostListed = 6

// list prints the values with the names of their passes.
func (f Figure) list() string {
	if len(f.set) > mostListed {
		lo, hi := f.ends(f.set)
		return span(lo, hi)
	}
	out := make([]string, len(f.set))
	for i, p := range f.set {
		out[i] = fmt.Sprintf("%s %.1f", name(f.set, p), p.value(f.Metric))
	}
	return strings.Join(out, ", ") + " FPS"
}

// names names some passes of a set, in its order.
func names(set []Pass, ids []string) string {
	var out []string
	for _, p := range set {
		if slices.Contains(ids, p.ID) {
			out = append(out, name(set, p))
		}
	}
	if len(out) > mostListed {
		return record.Count(len(out), "pass")
	}
	return strings.Join(out, ", ")
}

// name is what people call a pass, or its identity where that is no name of one pass.
func name(set []Pass, p Pass) string {
	for _, o := range set {
		if p.Name == "" || o.Name == p.Name && o.ID != p.ID {
			return p.ID
		}
	}
	return p.Name
}

func plural(list []string, one, more string) string {
	if len(list) == 1 {
		return one
	}
	return more
}

// digits prints two percentages with as many digits as tell them apart, one at least.
func digits(a, b float64) (string, string) {
	for n := 1; ; n++ {
		x, y := fmt.Sprintf("%.*f", n, a), fmt.Sprintf("%.*f", n, b)
		if x != y || a == b || n == 6 {
			return x, y
		}
	}
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
