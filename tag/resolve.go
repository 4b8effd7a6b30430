package tag

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"capd.example/record"
)

// CheckName is the name of the finding that [Finding] makes.
const CheckName = "place"

// Contradiction are the claims about one tag that do not go together, the most trusted
// first. Outcome is Bad where they certainly differ and NotChecked where nobody told
// whether the two names mean the same.
type Contradiction struct {
	Name    string
	Claims  []record.Claim
	Outcome record.Outcome
}

// Resolve lets the most trusted claim about each tag win. order is the rising order of
// trust; empty means [DefaultOrder], and an origin that it leaves out ranks lowest. See
// [Aliases.Resolve].
func Resolve(claims []record.Claim, order []record.Origin) (record.Tags, []Contradiction) {
	return Aliases{}.Resolve(claims, order)
}

// Resolve replaces reported names by short ones and lets the most trusted claim about each
// tag win. Between claims of one origin the first wins, but the last said by hand.
//
// Where the winner's name is not known to the aliases and a claim that means the same has a
// known name, that claim makes the tag: the reviewer's word for a part is better than the
// machine's as long as both mean the same part.
//
// The contradictions are all claims that do not go with the winner, except: what was said
// by hand settles the matter; and the plan and the fixed tags are expectations which only
// the bench itself contradicts, since a log in another cell's folder simply belongs to
// that cell. The ordinal of a pass and the campaign are never contradictions.
func (a Aliases) Resolve(claims []record.Claim, order []record.Origin) (record.Tags, []Contradiction) {
	if len(order) == 0 {
		order = DefaultOrder
	}
	byName := map[string][]record.Claim{}
	var names []string
	for _, c := range claims {
		if c.Name == "" || c.Value == "" {
			continue
		}
		if byName[c.Name] == nil {
			names = append(names, c.Name)
		}
		byName[c.Name] = append(byName[c.Name], c)
	}
	sort.Strings(names)
	tags := make(record.Tags, len(names))
	var out []Contradiction
	for _, n := range names {
		ranked := rank(byName[n], order)
		tags[n] = a.winner(ranked)
		if c, found := a.contradict(ranked); found {
			out = append(out, c)
		}
	}
	return tags, out
}

// Apply returns the claims with reported names replaced by short ones; the detail keeps
// what was reported.
func (a Aliases) Apply(claims []record.Claim) []record.Claim {
	out := slices.Clone(claims)
	for i, c := range out {
		short, m := a.Short(c.Name, c.Value)
		if m.knows() && short != c.Value {
			out[i].Value = short
			if out[i].Detail != "" {
				out[i].Detail += "; "
			}
			out[i].Detail += "reported as " + c.Value
		}
	}
	return out
}

// rank sorts claims from most to least trusted.
func rank(claims []record.Claim, order []record.Origin) []record.Claim {
	out := slices.Clone(claims)
	slices.Reverse(out) // so that the last said by hand comes first
	trust := func(c record.Claim) int { return slices.Index(order, c.From) }
	sort.SliceStable(out, func(i, j int) bool { return trust(out[i]) > trust(out[j]) })
	for i := 0; i < len(out); {
		j := i
		for j < len(out) && out[j].From == out[i].From {
			j++
		}
		if out[i].From != record.FromHand {
			slices.Reverse(out[i:j])
		}
		i = j
	}
	return out
}

func (a Aliases) winner(ranked []record.Claim) record.Tag {
	top := ranked[0]
	short, m := a.Short(top.Name, top.Value)
	if m.knows() || top.From == record.FromHand {
		return record.Tag{Value: short, From: top.From}
	}
	for _, c := range ranked[1:] {
		if s, k := a.Short(c.Name, c.Value); k.knows() && a.compare(top, c) == same {
			return record.Tag{Value: s, From: c.From}
		}
	}
	return record.Tag{Value: top.Value, From: top.From}
}

func (a Aliases) contradict(ranked []record.Claim) (Contradiction, bool) {
	top := ranked[0]
	if top.From == record.FromHand || top.Name == record.TagPass || top.Name == record.TagCampaign {
		return Contradiction{}, false
	}
	c := Contradiction{Name: top.Name, Claims: []record.Claim{top}, Outcome: record.NotChecked}
	for _, other := range ranked[1:] {
		if expectation(top, other) {
			continue
		}
		like := a.compare(top, other)
		if like == same {
			continue
		}
		if like == different {
			c.Outcome = record.Bad
		}
		c.Claims = append(c.Claims, other)
	}
	return c, len(c.Claims) > 1
}

// expectation reports whether one of the two only says what was planned while the other
// is no look at the bench.
func expectation(x, y record.Claim) bool {
	if x.From != record.FromPlan {
		x, y = y, x
	}
	return x.From == record.FromPlan && y.From != record.FromDetected
}

// Finding turns the contradictions of a pass into its finding: bad where claims certainly
// differ, not-checked where an alias is missing, else ok.
func Finding(cs []Contradiction) record.Finding {
	f := record.Finding{Check: CheckName, Outcome: record.OK, Reason: "all sources of tags agree"}
	var bad, open []string
	for _, c := range cs {
		said := make([]string, len(c.Claims))
		for i, cl := range c.Claims {
			said[i] = fmt.Sprintf("%s says %q", cl.From, cl.Value)
			if cl.Detail != "" {
				said[i] = fmt.Sprintf("%s says %q (%s)", cl.From, cl.Value, cl.Detail)
			}
		}
		text := c.Name + ": " + strings.Join(said, ", ")
		if c.Outcome == record.Bad {
			bad = append(bad, text)
		} else {
			open = append(open, text)
		}
	}
	switch {
	case len(bad) > 0:
		f.Outcome = record.Bad
		f.Reason = strings.Join(append(bad, open...), "; ")
		f.Advice = "find out which is true; then correct it with capctl tag, or repeat the pass"
	case len(open) > 0:
		f.Outcome = record.NotChecked
		f.Reason = strings.Join(open, "; ") + "; these may or may not mean the same"
		f.Advice = "list the machine's name for it under [aliases] in the campaign file"
	}
	return f
}
