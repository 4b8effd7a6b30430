package main

import (
	"cmp"
	"fmt"
	"os"
	"slices"
	"strings"

	"capd.example/internal/listing"
	"capd.example/internal/logbatch"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/internal/logbook"
	"capd.example/internal/output"
	"capd.example/pipeline"
	"capd.example/plugins/bundled"
	"capd.example/plugins/serve"
	"capd.example/record"
	"capd.example/tag"
)

// validatorRole is the hidden argument with which capctl starts itself as the process
// that serves the standard validators.
const validatorRole = "serve-validators"

// serveValidators reports whether this process was started for that, and has done it.
func serveValidators() bool {
	if len(os.Args) != 2 || os.Args[1] != validatorRole {
		return false
	}
	serve.Validators(bundled.Validators()...)
	return true
}

// recheckCmd is `capctl recheck`.
type recheckCmd struct {
	JSON  bool   `name:"json" help:"One JSON object per pass."`
	Apply bool   `help:"Store the new findings and verdicts; the old ones stay in the history."`
	Why   string `default:"checked again with today's validators and settings" help:"Reason kept in the history with --apply."`

	IDs []string `arg:"" optional:"" name:"id" help:"Identities of passes (or their beginnings). Without identities the options select the passes; without options all of them."`
	filterFlags
}

// rechecked is what looking at one pass again gives.
type rechecked struct {
	ID        string            `json:"id"`
	Log       string            `json:"log"`
	Was       record.Verdict    `json:"was"`
	Now       record.Verdict    `json:"now"`
	Overruled string            `json:"overruled,omitempty"` // the verdict set by hand stays in force
	Changes   []change          `json:"changes"`
	Applied   bool              `json:"applied"`
	Decides   string            `json:"decides,omitempty"`   // the check behind another verdict, with its reason
	NoAnswer  map[string]string `json:"no_answer,omitempty"` // by validators, with why; what they found before stays

	tags record.Tags
}

// change is one check whose finding is another one now.
type change struct {
	Check  string         `json:"check"`
	Was    record.Outcome `json:"was"` // "" where it did not run
	Now    record.Outcome `json:"now"` // "" where it does not run any more
	Reason string         `json:"reason"`
}

// differs reports whether the verdict by the findings is another one.
func (r rechecked) differs() bool { return r.Was != r.Now }

func (c *recheckCmd) Run(a *app) error {
	if err := c.Check(c.IDs); err != nil {
		return err
	}
	s, err := openStore(a, !c.Apply)
	if err != nil {
		return err
	}
	defer s.Close()
	passes, err := c.named(a, s, c.IDs)
	if err != nil {
		return err
	}
	if len(passes) == 0 {
		c.noPass(a)
		return nil
	}
	var h *hold
	if c.Apply {
		if h, err = newHold(a.ctx, s); err != nil {
			return err
		}
		defer h.end(a.ctx)
	}
	x, err := newExaminer(a, s, h, false)
	if err != nil {
		return err
	}
	defer x.close()
	out, err := c.each(a, x, passes)
	if err == nil {
		err = c.report(a, out)
	}
	// Said on every way out: what is stored already may lack an answer.
	if silent := x.silent.report(a, "correct it and try again"); silent != nil && (err == nil || len(out) > 0) {
		return silent
	}
	return err
}

// each looks at every pass again, in order of time.
func (c *recheckCmd) each(a *app, x *examiner, passes []record.Pass) (out []rechecked, err error) {
	bar := logbatch.NewProgress(a.stderr, len(passes))
	defer bar.Clear()
	for i, p := range passes {
		bar.At(i + 1)
		if p.Verdict == "" {
			safe.Fprintf(a.stderr, "capctl: note: %s was not judged yet; the agent does that\n", p.ID)
			continue
		}
		r, err := x.judge(a.ctx, p, c.Apply, false, c.Why)
		if err != nil {
			return nil, cli.FailedError(err)
		}
		out = append(out, r)
	}
	if c.Apply {
		if err := x.finish(a.ctx, c.Why); err != nil {
			return nil, err
		}
	}
	told, before := map[string]bool{}, map[string]record.Pass{}
	for _, p := range passes {
		told[p.ID], before[p.ID] = true, p
	}
	for i := range out {
		p := before[out[i].ID]
		if !c.Apply {
			break
		}
		// As all of them together left it: a pass may have been moved by one after it.
		now, err := x.store.Pass(a.ctx, p.ID)
		if err != nil {
			return nil, cli.FailedError(err)
		}
		r := &out[i]
		r.Changes = changes(p.Findings, now.Findings)
		r.Now, r.Applied = record.Judge(now.Findings, x.steps.Know.Required), len(r.Changes) > 0
		if r.Decides = ""; r.differs() {
			r.Decides = listing.DecidedBy(record.Pass{Verdict: r.Now, Findings: now.Findings}, x.steps.Know.Required)
		}
	}
	bar.Clear()
	x.tell(a, told)
	return out, nil
}

// changes lists the checks whose findings differ in any way, by name.
func changes(was, now []record.Finding) []change {
	old, fresh := byCheck(was), byCheck(now)
	out := []change{}
	for name, f := range fresh {
		if g := old[name]; !judging.SameFinding(f, g) {
			out = append(out, change{name, g.Outcome, f.Outcome, f.Reason})
		}
	}
	for name, g := range old {
		if _, there := fresh[name]; !there {
			out = append(out, change{Check: name, Was: g.Outcome, Reason: "this check no longer runs"})
		}
	}
	slices.SortFunc(out, func(a, b change) int { return cmp.Compare(a.Check, b.Check) })
	return out
}

func byCheck(list []record.Finding) map[string]record.Finding {
	out := make(map[string]record.Finding, len(list))
	for _, f := range list {
		out[f.Check] = f
	}
	return out
}

func (c *recheckCmd) report(a *app, list []rechecked) error {
	differ, other := 0, 0
	var rows []table.Row
	for _, r := range list {
		if r.differs() {
			differ++
		} else if len(r.Changes) > 0 {
			other++
		}
		if c.JSON {
			if err := output.JSON(a.stdout, r); err != nil {
				return cli.FailedError(err)
			}
		} else if r.differs() {
			rows = append(rows, table.Row{r.ID, listing.CellName(r.tags), r.tags.Value(record.TagPass), r.Was, r.Now, r.why()})
		}
	}
	if len(rows) > 0 {
		output.Table(a.stdout, table.Row{"id", "cell", "pass", "was", "now", "why"}, rows)
	}
	alike := ""
	if other > 0 {
		alike = fmt.Sprintf("; %d keep their verdict with other findings", other)
	}
	done := "would get"
	if c.Apply {
		done = "got"
	}
	safe.Fprintf(a.stderr, "capctl: %d of %s %s another verdict%s\n", differ, record.Count(len(list), "pass"), done, alike)
	if differ > 0 && !c.Apply {
		safe.Fprintln(a.stderr, "capctl: hint: --apply stores the new findings")
		return cli.ErrFound
	}
	return nil
}

// why names the checks whose outcome changed and, where none of them does, the one that
// decides the verdict.
func (r rechecked) why() string {
	var out []string
	named := r.Decides == ""
	for _, c := range r.Changes {
		if c.Was != c.Now {
			out = append(out, fmt.Sprintf("%s: %s -> %s: %s", c.Check, cmp.Or(c.Was, "(none)"), cmp.Or(c.Now, "(none)"),
				c.Reason))
			named = named || strings.HasPrefix(r.Decides, c.Check+": ")
		}
	}
	if !named {
		out = append(out, fmt.Sprintf("%s now: %s", r.Now, r.Decides))
	}
	if r.Overruled != "" {
		out = append(out, "your verdict stays: "+r.Overruled)
	}
	return strings.Join(out, "; ")
}

// knowledge is what is known about every pass: by the configuration and the campaign.
func knowledge(c config.Config) (pipeline.Knowledge, error) {
	otherwise := judging.Expect(c.Expect)
	know := pipeline.Knowledge{
		Order: tag.Order(c.Tags.Trust), Factors: record.CellFactors, Required: c.Checks.Required, Must: c.System.Must,
		Expect: func(record.Tags) record.Expectation { return otherwise },
	}
	if c.Campaign == "" {
		return know, nil
	}
	book, err := logbook.Open(c.Campaign)
	if err != nil {
		return know, cli.UsageError(err, "'capctl plan' checks the file")
	}
	know.Aliases, know.Factors = book.Aliases, book.Campaign.FactorNames()
	know.Expect = func(t record.Tags) record.Expectation { return judging.Prefer(book.Campaign.Expect(t), otherwise) }
	return know, nil
}
