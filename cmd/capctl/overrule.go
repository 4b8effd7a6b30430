package main

import (
	"cmp"
	"errors"
	"fmt"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// overruleCmd is `capctl overrule`.
type overruleCmd struct {
	ID      string `arg:"" help:"Identity of the pass, or the beginning of it."`
	Verdict string `arg:"" help:"clean, unverified, doubtful or bad."`
	Why     string `required:"" placeholder:"TEXT" help:"Your reason; shown with the pass and beside its cell."`
	Who     string `placeholder:"NAME" help:"Who decides (default: the user of this system)."`
}

// Run sets the verdict by hand. The findings stay as they are.
func (c *overruleCmd) Run(a *app) error {
	verdict := record.Verdict(c.Verdict)
	if !verdict.Valid() {
		return cli.UsageError(fmt.Errorf("overrule: %q is none of clean, unverified, doubtful, bad", c.Verdict))
	}
	if c.Why == "" {
		return cli.UsageError(errors.New("overrule: --why is empty"), "say in a few words why, for whoever reads the results")
	}
	s, err := openToRead(a) // which does not make a store where there is none
	if err != nil {
		return err
	}
	p, err := s.Pass(a.ctx, c.ID)
	s.Close()
	if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrAmbiguous) {
		return cli.FailedError(err, "'capctl passes' lists the identities")
	} else if err != nil {
		return cli.FailedError(err)
	}
	if s, err = openStore(a, false); err != nil {
		return err
	}
	defer s.Close()
	if err := s.Overrule(a.ctx, p.ID, verdict, c.Why, cmp.Or(c.Who, userName())); err != nil {
		return cli.FailedError(err)
	}
	fmt.Fprintf(a.stderr, "capctl: pass %s was %s and is %s by hand\n", p.ID, cmp.Or(p.Verdict, "not judged"), verdict)
	return nil
}
