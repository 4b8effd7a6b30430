package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"capd.example/internal/cli"
	"capd.example/internal/selection"
	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// filterFlags are the options that select passes; every command that reads passes takes them.
type filterFlags struct{ selection.Filter }

// named returns the passes with these identities or those that the options select.
func (f filterFlags) named(a *app, r store.Reader, ids []string) ([]record.Pass, error) {
	return f.Filter.Named(a.ctx, r, ids)
}

// several notes that passes which are changed together are of several campaigns.
func several(a *app, ids []string, passes []record.Pass) {
	if said := selection.Several(passes); said != "" && len(ids) == 0 {
		a.say("note: %s", said)
	}
}

// noPass says that no pass was selected, or that there is none.
func (f filterFlags) noPass(a *app) {
	if f.IsZero() {
		nothing(a, "no pass is stored yet", "run 'capd run' and let the logger write into "+a.config.Watch+
			", the folder that it watches")
		return
	}
	hint := "'capctl passes' without options lists all"
	if known, err := knownNames(a, nil); err == nil {
		for _, t := range f.Tag {
			name, _, _ := strings.Cut(t, "=")
			if like := text.Nearest(name, known); like != "" && !known[name] {
				hint = fmt.Sprintf("do you mean %q by %q? ", like, name) + hint
			}
		}
	}
	nothing(a, "no pass matches", hint)
}

// passes returns the selected passes in order of time.
func (f filterFlags) passes(a *app) (passes []record.Pass, err error) {
	if err := f.Check(nil); err != nil { // before a store is looked for
		return nil, err
	}
	err = withStore(a, func(_ context.Context, s store.Reader) (err error) {
		passes, err = f.named(a, s, nil)
		return err
	})
	return passes, err
}

var (
	_ store.Reader = (*store.Store)(nil)
	_ store.Reader = (*lab.Lab)(nil)
)

// openReader opens what --store names, the store of this bench where it names nothing.
func openReader(a *app) (store.Reader, error) {
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
func withStore(a *app, fn func(context.Context, store.Reader) error) error {
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
			"write --store postgres://USER@HOST/DATABASE?sslmode=verify-full",
			"--data DIR names the folder of another bench's store")
	}
	if !slices.Contains(overAllBenches, command) {
		return cli.UsageError(fmt.Errorf("'capctl %s' needs the bench's own store, not --store or CAPD_STORE", command),
			"over all benches work: "+strings.Join(overAllBenches, ", "))
	}
	return nil
}

// overAllBenches are the commands that read a lab as well as a bench's own store.
var overAllBenches = []string{
	"passes",
	"show",
	"cells",
	"compare",
	"limits",
	"odd",
	"predict",
	"holds",
	"value",
	"power",
	"repeatability",
	"reuse",
	"summary",
	"ready",
	"charts",
	"report",
	"system",
	"systems",
	"export",
	"send",
}

// withoutStore are the commands to which it does not matter what CAPD_STORE says.
var withoutStore = []string{"measure", "layout", "plan", "disturbance", "status", "follow", "pause", "resume", "lab"}

func firstWord(s string) string {
	word, _, _ := strings.Cut(s, " ")
	return word
}
