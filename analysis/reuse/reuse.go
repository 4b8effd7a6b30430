package reuse

import (
	"slices"
	"sort"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
)

// Difference is one thing in which two sets of passes were not taken alike.
type Difference struct {
	Name string   `json:"name"` // a tag, a field of the system, or a check
	Old  []string `json:"old"`  // values seen; "" is unknown
	New  []string `json:"new"`
	// Matters: it can change a frame rate, so that the old cells are refused unless it is accepted.
	Matters  bool   `json:"matters"`
	Accepted bool   `json:"accepted,omitempty"`
	Why      string `json:"why"`
}

// Comparability is the outcome of the gate between an older campaign and a new one.
type Comparability struct {
	Differences []Difference `json:"differences"`
	Refused     bool         `json:"refused"`
	OldPasses   int          `json:"old_passes"`
	NewPasses   int          `json:"new_passes"`
}

// Comparable lists in which ways older passes were not taken like the new ones. Passes
// that were judged bad do not count. systems holds what was detected, by the identity of
// the system. accept names differences that the reviewer takes responsibility for.
//
// What varies on purpose is no difference: the factors, and the names and limits of the
// processor, the card and the board that belong to them.
func Comparable(old, new []record.Pass, systems map[string]record.System, accept []string, o analysis.Options) Comparability {
	o = o.WithDefaults()
	a, b := facts(old, systems, o.Factors), facts(new, systems, o.Factors)
	c := Comparability{Differences: []Difference{}, OldPasses: usable(old), NewPasses: usable(new)}
	names := map[string]bool{}
	for n := range a {
		names[n] = true
	}
	for n := range b {
		names[n] = true
	}
	for n := range names {
		x, y := a.values(n), b.values(n)
		if slices.Equal(x, y) {
			continue
		}
		d := Difference{Name: n, Old: x, New: y}
		d.Matters, d.Why = matters(n)
		d.Accepted = d.Matters && slices.Contains(accept, n)
		c.Refused = c.Refused || d.Matters && !d.Accepted
		c.Differences = append(c.Differences, d)
	}
	sort.Slice(c.Differences, func(i, j int) bool {
		p, q := c.Differences[i], c.Differences[j]
		if p.Matters != q.Matters {
			return p.Matters
		}
		return p.Name < q.Name
	})
	if c.OldPasses == 0 || c.NewPasses == 0 {
		c.Refused = true
	}
	return c
}

func usable(passes []record.Pass) (n int) {
	for _, p := range passes {
		if p.Verdict != record.VerdictBad {
			n++
		}
	}
	return n
}

// factSet holds the values seen of each fact.
type factSet map[string]map[string]bool

func (f factSet) add(name, value string) {
	if f[name] == nil {
		f[name] = map[string]bool{}
	}
	f[name][value] = true
}

func (f factSet) values(name string) []string {
	out := make([]string, 0, len(f[name]))
	for v := range f[name] {
		out = append(out, v)
	}
	if len(out) == 0 {
		out = append(out, "")
	}
	slices.SortFunc(out, analysis.Naturally)
	return out
}

func facts(passes []record.Pass, systems map[string]record.System, factors []string) factSet {
	out := factSet{}
	conditions := analysis.ConditionTags(passes, factors)
	for _, p := range passes {
		if p.Verdict == record.VerdictBad {
			continue
		}
		out.add("bench", p.Bench)
		for _, t := range conditions {
			out.add("tag "+t, p.Tags.Value(t))
		}
		// A scene that is a factor is compared as one where both have the game.
		out.add("scenes of "+p.Tags.Value(record.TagGame), p.Tags.Value(record.TagScene))
		for _, f := range systems[p.System].Fields {
			if f.Unknown == "" && f.Identity && !ofPart(f.Name) {
				out.add("system "+f.Name, strings.TrimSpace(f.Value+" "+f.Unit))
			}
		}
		for _, f := range p.Findings {
			if f.Outcome != record.NotChecked {
				out.add("check "+f.Check, "version "+f.Version)
			}
		}
	}
	// A check that needs earlier passes cannot run on the first; it counts as missing where
	// it ran on no pass at all.
	for _, p := range passes {
		for _, f := range p.Findings {
			if out["check "+f.Check] == nil {
				out.add("check "+f.Check, "never ran")
			}
		}
	}
	return out
}

// ofPart reports whether a field belongs to a part that is exchanged on purpose.
func ofPart(field string) bool {
	if strings.HasSuffix(field, ".driver") {
		return false
	}
	for _, p := range []string{"processor.name", "processor.cores", "processor.threads", "processor.model", "processor.family", "processor.stepping",
		"processor.cache", "graphics.", "board.", "firmware."} {
		if strings.HasPrefix(field, p) {
			return true
		}
	}
	return false
}

// matters says whether a difference can change a frame rate.
func matters(name string) (bool, string) {
	switch {
	case strings.HasSuffix(name, "driver"):
		return true, "another driver renders at another rate"
	case strings.HasPrefix(name, "tag ") && strings.Contains(name, "version"):
		return true, "another version of the game is another workload"
	case strings.HasPrefix(name, "scenes of "):
		return true, "another scene is another workload"
	case strings.HasPrefix(name, "system memory."):
		return true, "memory sets the pace where the processor is the limit"
	case strings.HasPrefix(name, "system os."):
		return true, "another build schedules and draws otherwise"
	case strings.HasPrefix(name, "system processor."), strings.HasPrefix(name, "system power."):
		return true, "clocks and power limits set the pace"
	case strings.HasPrefix(name, "check "):
		return true, "what was not checked the same way may hide a fault"
	case name == "bench":
		return true, "another bench has another cooler, case and supply"
	}
	return false, "not known to change a frame rate"
}
