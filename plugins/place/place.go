// Package place finds passes that lie in the wrong place: what the bench or the log says
// about itself contradicts the path, the plan or what was said by hand.
package place

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"strings"
	"unicode"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "place", Version: "1",
		About: "what was detected agrees with the path, the plan and what was said by hand",
		Needs: []string{"two sources for at least one tag"},
		Parameters: []plugins.Parameter{
			{Name: "ignore", Type: plugins.Text, Default: record.TagPass, About: "tags that may differ between sources, separated by commas"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	byTag := map[string][]record.Claim{}
	for _, claim := range e.Pass.Claims {
		if claim.Value != "" {
			byTag[claim.Name] = append(byTag[claim.Name], claim)
		}
	}
	ignore := strings.Split(p.Text("ignore"), ",")
	compared := 0
	var names []string
	for name := range byTag {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if slices.ContainsFunc(ignore, func(i string) bool { return strings.TrimSpace(i) == name }) {
			continue
		}
		a, b, n, clash := contradiction(byTag[name])
		compared += n
		if clash {
			outcome := record.Doubtful
			if a.From == record.FromDetected || b.From == record.FromDetected {
				outcome = record.Bad // the bench itself says otherwise
			}
			c.Found(outcome, "move the log to its place or correct the tag by hand",
				"%s is %q by %s and %q by %s", name, a.Value, source(a), b.Value, source(b))
		}
	}
	c.Put("compared", float64(compared))
	if compared == 0 {
		c.Unable("no tag is known from two sources")
		return c.Finding("")
	}
	return c.Finding(fmt.Sprintf("%d pairs of claims about tags agree", compared))
}

// contradiction returns the first two claims of different sources that cannot both hold.
func contradiction(claims []record.Claim) (a, b record.Claim, compared int, clash bool) {
	for i, x := range claims {
		for _, y := range claims[i+1:] {
			if x.From == y.From {
				continue // several graphics cards are no contradiction
			}
			compared++
			if !clash && !compatible(x.Name, x.Value, y.Value) && !confirmed(claims, x, y) {
				a, b, clash = x, y, true
			}
		}
	}
	return a, b, compared, clash
}

// confirmed reports whether another claim of the same source as either agrees with the
// other: a bench with two graphics cards claims both.
func confirmed(claims []record.Claim, x, y record.Claim) bool {
	for _, z := range claims {
		if z.From == x.From && compatible(z.Name, z.Value, y.Value) || z.From == y.From && compatible(z.Name, z.Value, x.Value) {
			return true
		}
	}
	return false
}

// hardware are the tags whose values machines report in their own words.
var hardware = []string{record.TagProcessor, record.TagGraphics, record.TagDriver}

// compatible reports whether two values of a tag can both hold. A path says "6100x"
// where the machine says "Maker Line 6100X 8-Core": one that contains the other's words
// agrees. Names of hardware that are merely different prove nothing, for reviewers have
// names of their own; the same family with other numbers does.
func compatible(tag, a, b string) bool {
	x, y := words(a), words(b)
	if len(x) > len(y) {
		x, y = y, x
	}
	if len(x) == 0 || strings.Join(x, "") == strings.Join(y, "") || within(x, y) {
		return true
	}
	switch {
	case tag == record.TagResolution:
		h := height(x)
		return h != "" && h == height(y)
	case slices.Contains(hardware, tag):
		return !otherNumbers(x, y)
	}
	return false
}

func within(x, y []string) bool {
	for _, w := range x {
		if !slices.Contains(y, w) {
			return false
		}
	}
	return true
}

func otherNumbers(x, y []string) bool {
	family, number, numbers := false, false, [2]bool{}
	for i, list := range [][]string{x, y} {
		other := [][]string{y, x}[i]
		for _, w := range list {
			digits := strings.ContainsAny(w, "0123456789")
			numbers[i] = numbers[i] || digits
			shared := slices.Contains(other, w)
			number = number || digits && shared
			family = family || !digits && shared
		}
	}
	return family && numbers[0] && numbers[1] && !number
}

// height returns the lines of a resolution: "1920x1080", "1920 1080" and "1080p" alike.
func height(w []string) string {
	if len(w) == 0 {
		return ""
	}
	last := strings.TrimSuffix(w[len(w)-1], "p")
	if _, h, ok := strings.Cut(last, "x"); ok {
		last = h
	}
	named := map[string]string{"4k": "2160", "uhd": "2160", "qhd": "1440", "wqhd": "1440", "fhd": "1080"}
	if h := named[last]; h != "" {
		return h
	}
	for _, r := range last {
		if r < '0' || r > '9' {
			return ""
		}
	}
	return last
}

func words(s string) []string {
	return strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func source(c record.Claim) string {
	names := map[record.Origin]string{
		record.FromPlan: "the plan", record.FromPath: "the path", record.FromHeader: "the log's heading",
		record.FromDetected: "the bench itself", record.FromHand: "hand",
	}
	name := names[c.From]
	if name == "" {
		name = string(c.From)
	}
	if c.Detail != "" {
		name += " (" + c.Detail + ")"
	}
	return name
}
