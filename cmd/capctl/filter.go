package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// filterFlags select passes; every command that reads passes takes them.
type filterFlags struct {
	Tag     []string `placeholder:"NAME=VALUE" help:"Only passes with this tag; * and ? match any text. May be repeated."`
	Verdict []string `placeholder:"VERDICT" help:"Only passes with this verdict: clean, unverified, doubtful, bad. May be repeated."`
	System  string   `placeholder:"ID" help:"Only passes of this system (beginning of its identity)."`
	Since   string   `placeholder:"TIME" help:"Only passes started at or after 2006-01-02, 2006-01-02T15:04:05Z or a time ago such as 36h."`
	Until   string   `placeholder:"TIME" help:"Only passes started before this time."`
	Bench   string   `placeholder:"NAME" help:"Only passes of this bench."`
	Limit   int      `placeholder:"N" help:"At most N passes, the latest."`
}

func (f filterFlags) filter(now time.Time) (store.Filter, error) {
	out := store.Filter{System: f.System, Bench: f.Bench, Limit: f.Limit, Newest: f.Limit > 0, Tags: map[string]string{}}
	for _, t := range f.Tag {
		name, value, ok := strings.Cut(t, "=")
		if !ok {
			return out, cli.UsageError(fmt.Errorf("--tag %q has no =", t), "write --tag game=NAME")
		}
		out.Tags[name] = value
	}
	for _, v := range f.Verdict {
		if !record.Verdict(v).Valid() {
			return out, cli.UsageError(fmt.Errorf("--verdict %q is none of clean, unverified, doubtful, bad", v))
		}
		out.Verdicts = append(out.Verdicts, record.Verdict(v))
	}
	var err error
	if out.Since, err = moment("--since", f.Since, now); err != nil {
		return out, err
	}
	out.Until, err = moment("--until", f.Until, now)
	return out, err
}

// moment reads a day, a time or a time ago.
func moment(flag, text string, now time.Time) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if d, err := time.ParseDuration(text); err == nil {
		return now.Add(-d), nil
	}
	for _, form := range []string{time.DateOnly, time.RFC3339} {
		if t, err := time.Parse(form, text); err == nil {
			return t, nil
		}
	}
	return time.Time{}, cli.UsageError(fmt.Errorf("%s %q is not a time", flag, text), "write 2006-01-02, 2006-01-02T15:04:05Z or a time ago such as 36h")
}

// passes returns the selected passes in order of time.
func (f filterFlags) passes(a *app) ([]record.Pass, error) {
	filter, err := f.filter(time.Now())
	if err != nil {
		return nil, err
	}
	s, err := openToRead(a)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	passes, err := s.Passes(a.ctx, filter)
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
	}
	if filter.Newest {
		for i, j := 0, len(passes)-1; i < j; i, j = i+1, j-1 {
			passes[i], passes[j] = passes[j], passes[i]
		}
	}
	return passes, nil
}

// withStore opens the store to read and hands it to fn.
func withStore(a *app, fn func(context.Context, *store.Store) error) error {
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	return fn(a.ctx, s)
}
