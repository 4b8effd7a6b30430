// Package pick holds what several standard validators ask of the evidence.
package pick

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"capd.example/record"
)

// Usable returns the earlier passes that a pass may be held against: those that were not
// judged bad and about which no other check than that of agreement is in doubt, or, where
// there is none, all that were not judged bad. A reviewer's own verdict counts as any other.
func Usable(earlier []record.Earlier) []record.Earlier {
	var fit, rest []record.Earlier
	for _, e := range earlier {
		if e.Pass.Verdict == record.VerdictBad {
			continue
		}
		rest = append(rest, e)
		if e.Pass.Overruled != "" && e.Pass.Verdict != record.VerdictDoubtful || e.Pass.Overruled == "" &&
			!doubtful(e.Pass.Findings) {
			fit = append(fit, e)
		}
	}
	if len(fit) > 0 {
		return fit
	}
	return rest
}

// doubtful reports whether something is doubtful about a pass by itself; that the passes of
// its cell do not agree is nothing of the kind.
func doubtful(findings []record.Finding) bool {
	return slices.ContainsFunc(findings, func(f record.Finding) bool {
		return f.Outcome == record.Doubtful &&
			f.Check != "agreement"
	})
}

// Alone says why a pass has no earlier ones to be held against: the given words, but where
// its tags name no cell.
func Alone(p record.Pass, otherwise string) string {
	if !p.Tags.NamesCell() {
		return record.NoCell
	}
	return otherwise
}

// Median returns the median of x, NaN for none. x is not changed.
func Median(x []float64) float64 { return Quantile(x, 0.5) }

// Quantile returns the p-quantile of x (Hyndman and Fan 1996, type 7), NaN for none.
func Quantile(x []float64, p float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Clone(x)
	sort.Float64s(s)
	at := p * float64(len(s)-1)
	i := int(at)
	if i+1 >= len(s) {
		return s[len(s)-1]
	}
	return s[i] + (at-float64(i))*(s[i+1]-s[i])
}

// Missing says why the telemetry lacks a series: its gap's reason, or why there is no
// telemetry at all.
func Missing(e record.Evidence, series string) string {
	if e.Telemetry == nil {
		if e.TelemetryWhy != "" {
			return "there is no telemetry: " + e.TelemetryWhy
		}
		return "there is no telemetry of the pass"
	}
	for _, g := range e.Telemetry.Missing {
		if g.Name == series {
			return strings.TrimSuffix(fmt.Sprintf("the agent could not read %s (%s): %s", series, g.Why, g.Text), ": ")
		}
	}
	return "the telemetry has no " + series
}

// Case collects what a validator found until the worst of it becomes the finding.
type Case struct {
	Numbers map[string]float64
	found   []note
	unable  []string
}

type note struct {
	outcome        record.Outcome
	reason, advice string
}

// NewCase returns an empty case.
func NewCase() *Case { return &Case{Numbers: map[string]float64{}} }

// Put notes a number; what is not finite is left out.
func (c *Case) Put(name string, value float64) {
	if !math.IsNaN(value) && !math.IsInf(value, 0) {
		c.Numbers[name] = value
	}
}

// Found notes something of the given outcome.
func (c *Case) Found(o record.Outcome, advice, format string, args ...any) {
	c.found = append(c.found, note{o, fmt.Sprintf(format, args...), advice})
}

// Unable notes a part of the check whose input is missing.
func (c *Case) Unable(format string, args ...any) {
	c.unable = append(c.unable, fmt.Sprintf(format, args...))
}

// Finding returns the worst of what was found with all reasons, worst first. Where
// nothing was found it is not checked when a part could not run and nothing else did (ok
// is empty), else ok with the given sentence.
func (c *Case) Finding(ok string) record.Finding {
	f := record.Finding{Outcome: record.OK, Reason: ok, Numbers: c.Numbers}
	if len(c.found) > 0 {
		sort.SliceStable(c.found, func(i, j int) bool {
			return c.found[i].outcome == record.Bad &&
				c.found[j].outcome != record.Bad
		})
		var reasons []string
		for _, n := range c.found {
			reasons = append(reasons, n.reason)
		}
		f.Outcome, f.Reason, f.Advice = c.found[0].outcome, strings.Join(reasons, "; "), c.found[0].advice
		return f
	}
	if ok == "" {
		f.Outcome, f.Reason = record.NotChecked, strings.Join(c.unable, "; ")
	} else if len(c.unable) > 0 {
		f.Reason += " (not looked at: " + strings.Join(c.unable, "; ") + ")"
	}
	return f
}

// Mean returns the mean of x, NaN for none.
func Mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}
