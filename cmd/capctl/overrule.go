package main

import (
	"cmp"
	"errors"
	"fmt"
	"strings"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// overruleCmd is `capctl overrule`.
type overruleCmd struct {
	ID      string `arg:"" help:"Identity of the pass, or the beginning of it."`
	Verdict string `arg:"" optional:"" help:"clean, unverified, doubtful or bad."`
	Undo    bool   `help:"Take the verdict set by hand back: that of the checks holds again. This wants a --why too."`
	Why     string `required:"" placeholder:"TEXT" help:"Your reason; shown with the pass and beside its cell."`
	Who     string `placeholder:"NAME" help:"Who decides (default: the user of this system)."`
}

// Run sets the verdict by hand or takes that back. The findings stay as they are.
func (c *overruleCmd) Run(a *app) error {
	c.Why = strings.TrimSpace(c.Why)
	if err := c.check(); err != nil {
		return err
	}
	s, err := openToRead(a) // which does not make a store where there is none
	if err != nil {
		return err
	}
	p, err := s.Pass(a.ctx, c.ID)
	s.Close()
	if err != nil {
		return passError(err)
	}
	if c.Undo && p.Overruled == "" {
		return cli.FailedError(fmt.Errorf("pass %s: %w; it is %s by its checks", p.ID, store.ErrNotByHand, cmp.Or(p.Verdict, "not judged yet")))
	}
	if s, err = openStore(a, false); err != nil {
		return err
	}
	defer s.Close()
	who := cmp.Or(c.Who, userName())
	if c.Undo {
		return c.takeBack(a, s, p, who)
	}
	if err := s.Overrule(a.ctx, p.ID, record.Verdict(c.Verdict), c.Why, who); err != nil {
		return cli.FailedError(err)
	}
	a.say("pass %s was %s and is %s by hand; 'capctl overrule --undo %s --why TEXT' takes it back",
		p.ID, cmp.Or(p.Verdict, "not judged"), c.Verdict, p.ID)
	return c.neighbours(a, s, p)
}

// neighbours judges the passes beside one again that counts for them in another way now, by
// what depends on the whole cell. What else was found about them stands.
func (c *overruleCmd) neighbours(a *app, s *store.Store, was record.Pass) error {
	if was.Verdict == "" {
		return nil // not judged yet: the agent looks at all of them
	}
	x, err := newExaminer(a, s, false)
	if err != nil {
		return err
	}
	defer x.close()
	err = x.neighbours(a, []record.Pass{was}, nil, false, "verdict by hand")
	x.tell(a, map[string]bool{was.ID: true})
	return err
}

func (c *overruleCmd) check() error {
	switch {
	case c.Undo && c.Verdict != "":
		return cli.UsageError(errors.New("overrule: --undo takes no verdict: that of the checks holds again"), "type: capctl overrule --undo "+quoted(c.ID)+" --why TEXT")
	case !c.Undo && c.Verdict == "":
		return cli.UsageError(errors.New("overrule: no verdict is given"), "type: capctl overrule "+quoted(c.ID)+" clean|unverified|doubtful|bad --why TEXT", "--undo takes a verdict set by hand back")
	case !c.Undo && !record.Verdict(c.Verdict).Valid():
		return cli.UsageError(fmt.Errorf("overrule: %q is none of clean, unverified, doubtful, bad", c.Verdict))
	case c.Why == "":
		return cli.UsageError(errors.New("overrule: --why is empty"), "say in a few words why, for whoever reads the results")
	}
	return nil
}

func (c *overruleCmd) takeBack(a *app, s *store.Store, p record.Pass, who string) error {
	judge := func(f []record.Finding) record.Verdict { return record.Judge(f, a.config.Checks.Required) }
	err := s.TakeBack(a.ctx, p, c.Why, who, judge)
	if err != nil {
		return cli.FailedError(err)
	}
	again := c.neighbours(a, s, p)
	now, err := s.Pass(a.ctx, p.ID)
	if err != nil {
		return cli.FailedError(err)
	}
	fmt.Fprintf(a.stderr, "capctl: pass %s was %s by hand and is %s by its checks\n", p.ID, p.Verdict, cmp.Or(now.Verdict, "not judged yet"))
	return again
}
