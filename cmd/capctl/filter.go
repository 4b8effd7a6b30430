package main

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
	"capd.example/store/lab"
)

// filterFlags select passes; every command that reads passes takes them.
type filterFlags struct {
	Tag     []string `placeholder:"NAME=VALUE" help:"Only passes with this tag; * and ? match any text. May be repeated."`
	Verdict []string `placeholder:"VERDICT" help:"Only passes with this verdict: clean, unverified, doubtful, bad. May be repeated."`
	System  string   `placeholder:"ID" help:"Only passes of this system (beginning of its identity)."`
	Since   string   `placeholder:"TIME" help:"Only passes started at or after 2006-01-02, '2006-01-02 15:04:05', 14:30, today, yesterday or a time ago such as 36h."`
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
	if out.Since, err = moment("--since", f.Since, now); err != nil {
		return out, err
	}
	out.Until, err = moment("--until", f.Until, now)
	return out, err
}

// isZero reports whether the options select nothing in particular.
func (f filterFlags) isZero() bool { return reflect.ValueOf(f).IsZero() }

// check refuses options that make no sense, beside identities or by themselves.
func (f filterFlags) check(ids []string) error {
	if len(ids) > 0 && !f.isZero() {
		return cli.UsageError(errors.New("name passes or select them by options, not both"))
	}
	_, err := f.filter(time.Now())
	return err
}

// named returns the passes with these identities, each once; without identities those that
// the options select, in order of time.
func (f filterFlags) named(a *app, r reader, ids []string) ([]record.Pass, error) {
	if err := f.check(ids); err != nil {
		return nil, err
	}
	filter, err := f.filter(time.Now())
	if err != nil {
		return nil, err
	}
	var out []record.Pass
	for _, id := range ids {
		p, err := r.Pass(a.ctx, id)
		if err != nil {
			return nil, passError(err)
		}
		if !slices.ContainsFunc(out, func(q record.Pass) bool { return q.ID == p.ID }) {
			out = append(out, p)
		}
	}
	if len(ids) > 0 {
		return out, nil
	}
	if out, err = r.Passes(a.ctx, filter); err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
	}
	if filter.Newest {
		slices.Reverse(out)
	}
	return out, nil
}

// noPass says that no pass was selected, or that there is none.
func (f filterFlags) noPass(a *app) {
	if f.isZero() {
		nothing(a, "no pass is stored yet", "run 'capd run' and let the logger write into "+a.config.Watch+", the folder that it watches")
		return
	}
	hint := "'capctl passes' without options lists all"
	if known, err := knownNames(a, nil); err == nil {
		for _, t := range f.Tag {
			name, _, _ := strings.Cut(t, "=")
			if like := nearest(name, known); like != "" && !known[name] {
				hint = fmt.Sprintf("do you mean %q by %q? ", like, name) + hint
			}
		}
	}
	nothing(a, "no pass matches", hint)
}

// momentForms are how a time is written, as 'capctl passes' prints it among them; without a
// zone it is that of this machine.
var momentForms = []string{time.DateOnly, time.DateTime, "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04"}

// momentHint is what a time may look like.
const momentHint = "write 2006-01-02, '2006-01-02 15:04:05' as 'capctl passes' prints it, 14:30, today, yesterday or a time ago such as 36h"

// moment reads a day, a time, a time of day or a time ago. A time of day is the latest one
// that has been.
func moment(flag, text string, now time.Time) (time.Time, error) {
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

// passes returns the selected passes in order of time.
func (f filterFlags) passes(a *app) (passes []record.Pass, err error) {
	if err := f.check(nil); err != nil { // before a store is looked for
		return nil, err
	}
	err = withStore(a, func(_ context.Context, s reader) (err error) {
		passes, err = f.named(a, s, nil)
		return err
	})
	return passes, err
}

// reader is what commands that only read need of a store. The store of this bench and
// the database of a lab both have it.
type reader interface {
	Passes(context.Context, store.Filter) ([]record.Pass, error)
	Each(context.Context, store.Filter, func(record.Pass) error) error
	Pass(ctx context.Context, prefix string) (record.Pass, error)
	Whole(ctx context.Context, prefix string) (store.Arrival, error)
	Frames(ctx context.Context, id string) (record.Frames, error)
	Telemetry(ctx context.Context, id string) (*record.Telemetry, error)
	System(ctx context.Context, id string) (record.System, error)
	Systems(context.Context) ([]store.SystemSeen, error)
	Close() error
}

var (
	_ reader = (*store.Store)(nil)
	_ reader = (*lab.Lab)(nil)
)

// openReader opens what --store names, the store of this bench where it names nothing.
func openReader(a *app) (reader, error) {
	if a.lab == "" {
		return openToRead(a)
	}
	l, err := openLab(a, a.lab)
	if err != nil {
		return nil, err
	}
	return l, nil
}

// withStore opens the store to read and hands it to fn.
func withStore(a *app, fn func(context.Context, reader) error) error {
	s, err := openReader(a)
	if err != nil {
		return err
	}
	defer s.Close()
	return fn(a.ctx, s)
}

// checkStore refuses a --store that is no lab, and a command that cannot read one: what
// changes a store, or asks about this bench, needs the bench's own.
func checkStore(address, command string) error {
	if address == "" || slices.Contains(withoutStore, command) {
		return nil
	}
	if !strings.HasPrefix(address, "postgres://") && !strings.HasPrefix(address, "postgresql://") {
		return cli.UsageError(errors.New("--store takes the address of a lab's database"),
			"write --store postgres://USER@HOST/DATABASE?sslmode=verify-full", "--data DIR names the folder of another bench's store")
	}
	if !slices.Contains(overAllBenches, command) {
		return cli.UsageError(fmt.Errorf("'capctl %s' needs the bench's own store, not --store or CAPD_STORE", command),
			"over all benches work: "+strings.Join(overAllBenches, ", "))
	}
	return nil
}

// overAllBenches are the commands that read a lab as well as a bench's own store.
var overAllBenches = []string{"passes", "show", "cells", "compare", "limits", "odd", "predict", "holds", "value", "repeatability", "reuse", "report",
	"system", "systems", "export"}

// withoutStore are the commands to which it does not matter what CAPD_STORE says.
var withoutStore = []string{"measure", "layout", "plan", "disturbance", "status", "follow", "pause", "resume", "lab"}

func firstWord(s string) string {
	word, _, _ := strings.Cut(s, " ")
	return word
}
