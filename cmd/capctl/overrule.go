package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"capd.example/internal/listing"
	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/record"
	"capd.example/store"
)

// overruleCmd is `capctl overrule`.
type overruleCmd struct {
	Undo   bool     `help:"Take verdicts set by hand back: those of the checks hold again. This wants a --why too."`
	DryRun bool     `name:"dry-run" help:"Only list the passes whose verdict would be set."`
	Why    string   `placeholder:"TEXT" help:"Your reason; shown with the pass and beside its cell. Needed but for --dry-run."`
	Who    string   `placeholder:"NAME" help:"Who decides (default: the user of this system)."`
	What   []string `arg:"" optional:"" name:"id|verdict" help:"Identities of passes (or their beginnings), then clean, unverified, doubtful or bad. Without identities the options select the passes."`
	filterFlags

	ids     []string
	verdict record.Verdict // to set
}

// Run sets the verdict by hand or takes that back. The findings stay as they are.
func (c *overruleCmd) Run(a *app) error {
	c.Why = safe.Line(c.Why)
	c.split()
	if err := c.check(); err != nil {
		return err
	}
	if err := c.filterFlags.Check(c.ids); err != nil {
		return err
	}
	s, err := openToRead(a) // which does not make a store where there is none
	if err != nil {
		return err
	}
	passes, err := c.named(a, s, c.ids)
	s.Close()
	if err != nil {
		return err
	}
	if c.Undo && len(c.ids) == 1 && passes[0].Overruled == "" {
		p := passes[0]
		return cli.FailedError(fmt.Errorf("pass %s: %w; it is %s by its checks", p.ID, store.ErrNotByHand,
			cmp.Or(p.Verdict, "not judged yet")))
	}
	if c.Undo {
		passes = slices.DeleteFunc(passes, func(p record.Pass) bool { return p.Overruled == "" })
	}
	if len(passes) == 0 {
		return cli.FailedError(errors.New("no pass is selected"),
			"'capctl passes' with the same options lists the selection; --undo applies only to verdicts set by hand")
	}
	several(a, c.ids, passes)
	if c.DryRun {
		return c.list(a, passes)
	}
	if s, err = openStore(a, false); err != nil {
		return err
	}
	defer s.Close()
	h, err := newHold(a.ctx, s)
	if err != nil {
		return err
	}
	defer h.end(a.ctx)
	who := cmp.Or(c.Who, userName())
	if c.Undo {
		return c.takeBack(a, s, h, passes, who)
	}
	for _, p := range passes {
		err := c.counting(a, s, p, func() error { return s.Overrule(a.ctx, p.ID, c.verdict, c.Why, who) })
		if err != nil {
			return cli.FailedError(err)
		}
	}
	if p := passes[0]; len(passes) == 1 {
		a.say("pass %s was %s and is now %s by hand; undo with 'capctl overrule --undo %s --why TEXT'",
			p.ID, cmp.Or(p.Verdict, "not judged"), c.verdict, p.ID)
	} else {
		a.say("%s set to %s by hand; undo with 'capctl overrule --undo %s --why TEXT'", record.Count(len(passes), "pass"),
			c.verdict, c.again(passes))
	}
	return c.neighbours(a, s, h, passes)
}

// split tells the verdict from identities.
func (c *overruleCmd) split() {
	c.ids = c.What
	if n := len(c.What); n > 0 && record.Verdict(c.What[n-1]).Valid() {
		c.ids, c.verdict = c.What[:n-1], record.Verdict(c.What[n-1])
	}
}

// again are the passes as one types them.
func (c *overruleCmd) again(passes []record.Pass) string {
	ids := make([]string, len(passes))
	for i, p := range passes {
		ids[i] = p.ID
	}
	return strings.Join(ids, " ")
}

func (c *overruleCmd) list(a *app, passes []record.Pass) error {
	for _, p := range passes {
		becomes := cmp.Or(string(c.verdict), "what its checks say")
		safe.Fprintf(a.stdout, "%s  %s  %s -> %s\n", p.ID, printable(listing.NameOf(p)),
			cmp.Or(string(p.Verdict), "not judged"), becomes)
	}
	safe.Fprintf(a.stderr, "capctl: %s would be changed\n", record.Count(len(passes), "verdict"))
	return nil
}

// counting changes by set how a pass counts.
func (c *overruleCmd) counting(a *app, s *store.Store, p record.Pass, set func() error) error {
	know, err := knowledge(a.config)
	if err != nil {
		return err
	}
	return judging.ByHand(a.ctx, s, know.Factors, p, set)
}

// neighbours judges the passes beside these again that count for them in another way now.
func (c *overruleCmd) neighbours(a *app, s *store.Store, h *hold, was []record.Pass) error {
	// the agent looks at all of them
	was = slices.DeleteFunc(slices.Clone(was), func(p record.Pass) bool { return p.Verdict == "" })
	if len(was) == 0 {
		return nil
	}
	x, err := newExaminer(a, s, h, false)
	if err != nil {
		return err
	}
	defer x.close()
	told := map[string]bool{}
	for _, p := range was {
		told[p.ID] = true
	}
	for _, p := range was {
		moved, cellErr := x.settler("verdict by hand of pass "+p.ID).Cell(a.ctx, p)
		if err = x.settled(moved, cellErr); err != nil {
			break
		}
	}
	if err == nil {
		err = x.finish(a.ctx, "verdict by hand of a pass of its cell")
	}
	x.tell(a, told)
	return err
}

func (c *overruleCmd) check() error {
	id := "ID"
	if len(c.ids) > 0 {
		id = quoted(c.ids[0])
	}
	last := ""
	if n := len(c.What); n > 1 && c.verdict == "" {
		last = c.What[n-1]
	}
	switch {
	case len(c.ids) == 0 && c.IsZero():
		return cli.UsageError(errors.New("overrule: no pass is named"),
			"name passes by their identities, or select them: --tag game=NAME, --since 2h, --limit 1")
	case c.Undo && c.verdict != "":
		return cli.UsageError(errors.New("overrule: leave the verdict out: --undo restores that of the checks"),
			"type: capctl overrule --undo "+id+" --why TEXT")
	case !c.Undo && last != "":
		return cli.UsageError(fmt.Errorf("overrule: %q is none of clean, unverified, doubtful, bad", last))
	case !c.Undo && c.verdict == "":
		return cli.UsageError(errors.New("overrule: no verdict is given"),
			"type: capctl overrule "+id+" clean|unverified|doubtful|bad --why TEXT", "--undo restores the checks' verdict")
	case safe.Blank(c.Why) && !c.DryRun:
		return cli.UsageError(errors.New("overrule: --why is empty"),
			"give the reason in a few words, for readers of the results")
	}
	return nil
}

func (c *overruleCmd) takeBack(a *app, s *store.Store, h *hold, passes []record.Pass, who string) error {
	judge := func(f []record.Finding) record.Verdict { return record.Judge(f, a.config.Checks.Required) }
	for _, p := range passes {
		err := c.counting(a, s, p, func() error { return s.TakeBack(a.ctx, p, c.Why, who, judge) })
		if err != nil {
			return cli.FailedError(err)
		}
	}
	again := c.neighbours(a, s, h, passes)
	for _, p := range passes {
		now, err := s.Pass(a.ctx, p.ID)
		if err != nil {
			return cli.FailedError(err)
		}
		safe.Fprintf(a.stderr, "capctl: pass %s was %s by hand and is now %s by its checks\n", p.ID, p.Verdict,
			cmp.Or(now.Verdict, "not judged yet"))
	}
	return again
}
