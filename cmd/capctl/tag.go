package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"capd.example/internal/steering"
	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// tagCmd is `capctl tag`.
type tagCmd struct {
	Why    string   `placeholder:"TEXT" help:"Reason, kept in the history."`
	Undo   string   `placeholder:"CHANGE" help:"Take a correction back on all its passes."`
	DryRun bool     `name:"dry-run" help:"Only list the passes that would be corrected."`
	New    bool     `help:"A tag of a name that is close to a known one is meant, or a level that the campaign does not have."`
	JSON   bool     `name:"json" help:"One JSON object per line: the corrected passes, or the history."`
	What   []string `arg:"" optional:"" name:"id|name=value" help:"Identities of passes (or their beginnings), then the tags to set; an empty value takes a tag away. Without identities the options select the passes. Without tags the history of the passes is shown."`
	filterFlags
}

func (c *tagCmd) Run(a *app) error {
	ids, tags, err := c.split()
	if err != nil {
		return err
	}
	switch {
	case c.Undo != "" && len(c.What) > 0:
		return cli.UsageError(errors.New("--undo undoes a whole correction: leave passes and tags out"))
	case c.Undo == "" && len(ids) == 0 && c.IsZero():
		return cli.UsageError(errors.New("no pass is named"),
			"name passes by their identities, or select them: --tag game=NAME, --since 2h, --limit 1")
	}
	if err := c.Check(ids); err != nil {
		return err
	}
	s, err := openStore(a, c.DryRun || len(tags) == 0 && c.Undo == "")
	if err != nil {
		return err
	}
	defer s.Close()
	if c.Undo != "" {
		return c.undo(a, s)
	}
	passes, err := c.named(a, s, ids)
	var e *cli.Error
	if errors.As(err, &e) && errors.Is(err, store.ErrNotFound) && len(tags) == 0 {
		e.Hints = append(e.Hints, "tags are written as game=NAME")
	}
	if err != nil {
		return err
	}
	if len(passes) == 0 {
		return cli.FailedError(errors.New("no pass is selected"), "'capctl passes' with the same options lists the selection")
	}
	if len(tags) == 0 {
		return listing.TagHistory(a.ctx, a.Streams, s, passes, c.JSON)
	}
	if err := checkNames(a, s, tags, c.New); err != nil {
		return err
	}
	if tags, err = steering.ReviewersNames(a.config.Campaign, tags, c.New); err != nil {
		return err
	}
	several(a, ids, passes)
	return c.correct(a, s, passes, tags)
}

// split tells identities and tags apart.
func (c *tagCmd) split() (ids []string, tags map[string]string, err error) {
	tags = map[string]string{}
	for _, w := range c.What {
		name, value, is := strings.Cut(w, "=")
		switch {
		case !is:
			ids = append(ids, w)
		case strings.TrimSpace(name) == "":
			return nil, nil, cli.UsageError(fmt.Errorf("%q is not a tag", w), "write it as game=NAME")
		default:
			tags[strings.TrimSpace(name)] = strings.TrimSpace(value)
		}
	}
	return ids, tags, nil
}

func (c *tagCmd) correct(a *app, s *store.Store, passes []record.Pass, tags map[string]string) error {
	if c.DryRun {
		for _, p := range passes {
			if err := c.show(a, corrected{ID: p.ID, Was: tagValues(p.Tags, tags), Now: tags, Verdict: p.Verdict}); err != nil {
				return err
			}
		}
		safe.Fprintf(a.stderr, "capctl: %s would be corrected\n", record.Count(len(passes), "pass"))
		return nil
	}
	ids := make([]string, len(passes))
	for i, p := range passes {
		ids[i] = p.ID
	}
	h, err := newHold(a.ctx, s)
	if err != nil {
		return err
	}
	defer h.end(a.ctx)
	change, err := s.Retag(a.ctx, ids, tags, userName(), c.Why)
	if err != nil {
		return cli.FailedError(err)
	}
	err = c.judgeAgain(a, s, h, passes, tags, "tags corrected, change "+change)
	a.say("%s corrected; undo with 'capctl tag --undo %s'", record.Count(len(passes), "pass"), change)
	return err // of the checks: the correction stands
}

// corrected is a line of `capctl tag --json`.
type corrected struct {
	ID      string            `json:"id"`
	Was     map[string]string `json:"was"`
	Now     map[string]string `json:"now"`
	Verdict record.Verdict    `json:"verdict"` // before
	Then    record.Verdict    `json:"then,omitempty"`

	NoAnswer map[string]string `json:"no_answer,omitempty"` // as in rechecked
}

func (c *tagCmd) show(a *app, l corrected) error {
	if c.JSON {
		return output.JSON(a.stdout, l)
	}
	safe.Fprintf(a.stdout, "%s  %s -> %s", l.ID, steering.Pairs(l.Was), steering.Pairs(l.Now))
	if l.Then != "" && l.Then != l.Verdict {
		safe.Fprintf(a.stdout, "  was %s, is now %s", l.Verdict, l.Then)
	}
	safe.Fprintln(a.stdout)
	return nil
}

func tagValues(tags record.Tags, names map[string]string) map[string]string {
	out := map[string]string{}
	for name := range names {
		out[name] = tags.Value(name)
	}
	return out
}

// judgeAgain runs the checks again that depend on the corrected tags: those of the passes
// themselves, then those of the passes in the cells that they left and joined. Where it is
// cut short the agent, or the next command, goes on.
func (c *tagCmd) judgeAgain(a *app, s *store.Store, h *hold, old []record.Pass, names map[string]string,
	why string) error {
	x, err := newExaminer(a, s, h, true)
	if err != nil {
		return err
	}
	defer x.close()
	err = c.judgeEach(a, x, old, names, why)
	// Said on every way out: what is stored already may lack an answer.
	if silent := x.silent.report(a, x.silent.again()); err == nil {
		err = silent
	}
	return err
}

func (c *tagCmd) judgeEach(a *app, x *examiner, old []record.Pass, names map[string]string, why string) error {
	lines := make([]corrected, 0, len(old))
	told := map[string]bool{}
	var joined []record.Pass
	for _, p := range old {
		told[p.ID] = true
	}
	var err error
	for _, p := range old {
		var now record.Pass
		var r rechecked
		if now, err = x.store.Pass(a.ctx, p.ID); err != nil {
			err = cli.FailedError(err)
			break
		}
		if now.Verdict != "" { // else it is new, and the agent does that, or nobody was told yet, and it is finished below
			if r, err = judgeOne(a.ctx, x, now, why); err != nil {
				break
			}
		}
		lines = append(lines, corrected{ID: p.ID, Was: tagValues(p.Tags, names), Now: tagValues(now.Tags, names),
			Verdict: p.Verdict, NoAnswer: r.NoAnswer})
		joined = append(joined, now)
	}
	if err == nil {
		err = x.finish(a.ctx, why+" of a pass of its cell")
	}
	for _, l := range lines { // with the verdict that all of it led to
		now, readErr := x.store.Pass(a.ctx, l.ID)
		if l.Then = now.Verdict; readErr != nil {
			return cli.FailedError(readErr)
		}
		if err := c.show(a, l); err != nil {
			return cli.FailedError(err)
		}
	}
	worse := x.tell(a, told)
	var into []string // whose cell they are in that were clean
	for _, p := range joined {
		cell := p.Tags.Cell(x.steps.Know.Factors)
		if slices.ContainsFunc(worse,
			func(w record.Pass) bool { return maps.Equal(w.Tags.Cell(x.steps.Know.Factors), cell) }) {
			into = append(into, p.ID)
		}
	}
	if len(into) > 0 {
		safe.Fprintf(a.stderr, "capctl: hint: these were clean before %s joined their cell; look at that one first\n",
			strings.Join(into, ", "))
	}
	return err
}

// judgeOne stores what the checks say now about a pass that was put back.
func judgeOne(ctx context.Context, x *examiner, p record.Pass, why string) (rechecked, error) {
	r, err := x.judge(ctx, p, true, true, why)
	if err != nil {
		return r, cli.FailedError(err, "what you said is stored; the agent, or 'capctl recheck --apply', runs the checks")
	}
	return r, nil
}

// undo takes a change back.
func (c *tagCmd) undo(a *app, s *store.Store) error {
	ids, names, err := listing.Correction(a.ctx, s, c.Undo)
	if err == nil && len(ids) == 0 {
		err = fmt.Errorf("%w: %q", store.ErrNoChange, c.Undo)
	}
	if errors.Is(err, store.ErrNoChange) {
		return cli.FailedError(err, "'capctl tag ID' shows the corrections of a pass")
	} else if err != nil {
		return cli.FailedError(err)
	}
	var old []record.Pass
	for _, id := range ids {
		p, err := s.Pass(a.ctx, id)
		if err != nil {
			return cli.FailedError(err)
		}
		old = append(old, p)
	}
	if c.DryRun {
		return c.undone(a, s, old)
	}
	h, err := newHold(a.ctx, s)
	if err != nil {
		return err
	}
	defer h.end(a.ctx)
	change, err := s.Undo(a.ctx, c.Undo, userName(), c.Why)
	if err != nil {
		return cli.FailedError(err)
	}
	err = c.judgeAgain(a, s, h, old, names, "correction "+c.Undo+" taken back")
	a.say("undone for %s; redo with 'capctl tag --undo %s'", record.Count(len(old), "pass"), change)
	return err // of the checks: the correction stands
}

// undone lists what taking a correction back would give.
func (c *tagCmd) undone(a *app, s *store.Store, passes []record.Pass) error {
	for _, p := range passes {
		list, err := s.TagHistory(a.ctx, p.ID)
		if err != nil {
			return cli.FailedError(err)
		}
		l := corrected{ID: p.ID, Was: map[string]string{}, Now: map[string]string{}, Verdict: p.Verdict}
		for _, h := range list {
			if h.Change != c.Undo {
				continue
			}
			l.Was[h.Name], l.Now[h.Name] = p.Tags.Value(h.Name), ""
			if h.Old != nil {
				l.Now[h.Name] = h.Old.Value
			}
		}
		if err := c.show(a, l); err != nil {
			return cli.FailedError(err)
		}
	}
	safe.Fprintf(a.stderr, "capctl: %s would be put back\n", record.Count(len(passes), "pass"))
	return nil
}
