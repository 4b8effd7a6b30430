package selection

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// Filter select passes, as they are typed.
type Filter struct {
	Tag     []string `placeholder:"NAME=VALUE" help:"Only passes with this tag; * and ? match any text. May be repeated."`
	Verdict []string `placeholder:"VERDICT" help:"Only passes with this verdict: clean, unverified, doubtful, bad. May be repeated."`
	System  string   `placeholder:"ID" help:"Only passes of this system (beginning of its identity)."`
	Since   string   `placeholder:"TIME" help:"Only passes started at or after 2006-01-02, '2006-01-02 15:04:05', 14:30, today, yesterday or a time ago such as 36h."`
	Until   string   `placeholder:"TIME" help:"Only passes started before this time."`
	Bench   string   `placeholder:"NAME" help:"Only passes of this bench."`
	Limit   int      `placeholder:"N" help:"At most N passes, the latest."`
}

func (f Filter) Parse(now time.Time) (store.Filter, error) {
	out := store.Filter{System: f.System, Bench: f.Bench, Limit: f.Limit, Newest: f.Limit > 0, Tags: map[string]string{}}
	for _, t := range f.Tag {
		name, value, ok := strings.Cut(t, "=")
		if !ok {
			return out, cli.UsageError(fmt.Errorf("--tag %q has no =", t), "write --tag game=NAME")
		}
		out.Tags[name] = value
	}
	if f.Limit < 0 {
		return out, cli.UsageError(fmt.Errorf("--limit %d is below 0", f.Limit))
	}
	for _, v := range f.Verdict {
		if !record.Verdict(v).Valid() {
			return out, cli.UsageError(fmt.Errorf("--verdict %q is none of clean, unverified, doubtful, bad", v))
		}
		out.Verdicts = append(out.Verdicts, record.Verdict(v))
	}
	var err error
	if out.Since, err = Moment("--since", f.Since, now); err != nil {
		return out, err
	}
	out.Until, err = Moment("--until", f.Until, now)
	return out, err
}

// IsZero reports whether the options select nothing in particular.
func (f Filter) IsZero() bool { return reflect.ValueOf(f).IsZero() }

// Check refuses options that make no sense, beside identities or by themselves.
func (f Filter) Check(ids []string) error {
	if len(ids) > 0 && !f.IsZero() {
		return cli.UsageError(errors.New("name passes or select them by options, not both"))
	}
	_, err := f.Parse(time.Now())
	return err
}

// Named returns the passes with these identities, each once; without identities those that
// the options select, in order of time.
func (f Filter) Named(ctx context.Context, r store.Reader, ids []string) ([]record.Pass, error) {
	if err := f.Check(ids); err != nil {
		return nil, err
	}
	filter, err := f.Parse(time.Now())
	if err != nil {
		return nil, err
	}
	var out []record.Pass
	for _, id := range ids {
		p, err := r.Pass(ctx, id)
		if err != nil {
			return nil, PassError(err)
		}
		if !slices.ContainsFunc(out, func(q record.Pass) bool { return q.ID == p.ID }) {
			out = append(out, p)
		}
	}
	if len(ids) > 0 {
		return out, nil
	}
	if out, err = r.Passes(ctx, filter); err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
	}
	if filter.Newest {
		slices.Reverse(out)
	}
	return out, nil
}

// momentForms are how a time is written, as 'capctl passes' prints it among them; without a
// zone it is that of this machine.
var momentForms = []string{time.DateOnly, time.DateTime, "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"}

// momentHint is what a time may look like.
const momentHint = "write 2006-01-02, '2006-01-02 15:04:05' as 'capctl passes' prints it, 14:30, today, yesterday or a time ago such as 36h"

// Moment reads a day, a time, a time of day or a time ago. A time of day is the latest one
// that has been.
func Moment(flag, text string, now time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		return now.Add(-d), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, form := range momentForms {
		if t, err := time.ParseInLocation(form, text, now.Location()); err == nil {
			return t, nil
		}
	}
	midnight := time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
	switch text {
	case "today":
		return midnight, nil
	case "yesterday":
		return midnight.AddDate(0, 0, -1), nil
	}
	for _, form := range []string{"15:04", time.TimeOnly} {
		if t, err := time.Parse(form, text); err == nil {
			at := time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), t.Second(), 0, now.Location())
			if at.After(now) {
				at = at.AddDate(0, 0, -1)
			}
			return at, nil
		}
	}
	return time.Time{}, cli.UsageError(fmt.Errorf("%s %q is not a time", flag, text), momentHint)
}
