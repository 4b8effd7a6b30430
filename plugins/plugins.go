// Package plugins is the validator kit: what a validator is, what it is given and what
// it answers.
//
// A validator examines one pass and returns one [record.Finding]. It runs in a process
// of its own that the agent starts after a pass; package serve turns validators into
// such a program, package plugintest makes passes to test them with.
//
// The rules of the house for validators: a check that lacks its input answers
// [record.NotChecked] and says what was missing; a reason is a sentence with the numbers
// in it; every threshold that was used is among the finding's numbers; and [record.Bad]
// is for passes that must be repeated, [record.Doubtful] for those a reviewer should look
// at.
package plugins

import (
	"context"
	"fmt"
	"regexp"
	"runtime/debug"
	"strings"

	"capd.example/record"
)

// Validator examines passes. Both methods must be safe for repeated use; Check is never
// called twice at the same time.
type Validator interface {
	// Describe says who the validator is. It must answer the same every time.
	Describe() Description
	// Check examines one pass. It should return when ctx ends. Check, Version and
	// Params of the finding are filled in by the kit.
	Check(ctx context.Context, e record.Evidence, p Params) record.Finding
}

// Description says who a validator is, what it needs and how it can be set.
type Description struct {
	Name       string      `json:"name"`    // [a-z0-9-]{1,40}; the finding's check
	Version    string      `json:"version"` // changes when findings may change
	About      string      `json:"about"`   // one sentence
	Needs      []string    `json:"needs,omitempty"`
	Parameters []Parameter `json:"parameters,omitempty"`
}

var (
	validName      = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)
	validParameter = regexp.MustCompile(`^[a-z0-9_]{1,40}$`)
)

// Validate returns the first thing that is wrong with d.
func (d Description) Validate() error {
	if !validName.MatchString(d.Name) {
		return fmt.Errorf("name %q is not of the form [a-z0-9-]{1,40}", d.Name)
	}
	if d.Version == "" {
		return fmt.Errorf("%s states no version", d.Name)
	}
	seen := map[string]bool{}
	for _, q := range d.Parameters {
		switch {
		case !validParameter.MatchString(q.Name):
			return fmt.Errorf("%s: parameter name %q is not of the form [a-z0-9_]{1,40}", d.Name, q.Name)
		case seen[q.Name]:
			return fmt.Errorf("%s: parameter %s appears twice", d.Name, q.Name)
		}
		seen[q.Name] = true
		if err := q.accepts(q.Default); err != nil {
			return fmt.Errorf("%s: default of %s: %w", d.Name, q.Name, err)
		}
	}
	return nil
}

// Run has v examine e with the given settings and completes the finding: a setting that
// makes no sense or a panic becomes a finding that says so, and so does an answer that is
// none.
func Run(ctx context.Context, v Validator, e record.Evidence, settings map[string]string) (f record.Finding) {
	d := v.Describe()
	p, err := d.Resolve(settings)
	defer func() {
		if r := recover(); r != nil {
			f = NotChecked("the validator broke down: %v", r)
			f.Advice = "report this to the validator's author: " + firstFrames(debug.Stack())
		}
		f.Check, f.Version, f.Params = d.Name, d.Version, p.Map()
	}()
	if err != nil {
		return NotChecked("a setting makes no sense: %v", err)
	}
	f = v.Check(ctx, e, p)
	switch {
	case ctx.Err() != nil:
		return NotChecked("the check was interrupted: %v", context.Cause(ctx))
	case !f.Outcome.Valid():
		return NotChecked("the validator answered with the unknown outcome %q", f.Outcome)
	case strings.TrimSpace(f.Reason) == "":
		return NotChecked("the validator answered %q without a reason", f.Outcome)
	}
	return f
}

// firstFrames cuts a stack down to the place that panicked.
func firstFrames(stack []byte) string {
	lines := strings.Split(string(stack), "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, "panic(") && i+3 < len(lines) {
			return strings.TrimSpace(lines[i+3])
		}
	}
	return "no stack"
}

// NotChecked is the finding of a check that could not be done, with the reason.
func NotChecked(format string, args ...any) record.Finding {
	return record.Finding{Outcome: record.NotChecked, Reason: fmt.Sprintf(format, args...)}
}
