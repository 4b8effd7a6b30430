package selection

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/reuse"
	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// Basis is what a conclusion rests on, and what it does not.
type Basis struct {
	Campaign string   `json:"campaign,omitempty"` // the one in force
	Count    int      `json:"passes"`
	Untagged *batch   `json:"untagged,omitempty"` // of these, without the tag campaign
	Older    []batch  `json:"older,omitempty"`    // and of an earlier time, for cells without a pass
	Accepted []string `json:"accepted,omitempty"` // differences of the older ones
	LeftOut  []batch  `json:"left_out,omitempty"`
	Apart    bool     `json:"apart,omitempty"` // cells are kept apart by campaign
	Mixed    []mixes  `json:"mixed,omitempty"`

	Passes []record.Pass `json:"-"`
	Notes  []record.Note `json:"-"` // by the reviewer, about these passes

	scope *Scope
	own   []record.Pass // of the campaign
	some  bool          // they were selected
}

// Planned is a cell of a plan and how far it is.
type Planned struct {
	Values map[string]string
	campaign.State
}

// batch is a number of passes of one campaign.
type batch struct {
	Campaign string    `json:"campaign"` // "" for none
	Passes   int       `json:"passes"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
}

// mixes says in how many cells passes were mixed that differ in one thing.
type mixes struct {
	What   string   `json:"what"`
	Cells  int      `json:"cells"`
	Values []string `json:"values"`
}

// Scope is the campaign in force with what tells its passes from others.
type Scope struct {
	Book *logbook.Book
	Era  campaign.Era
}

// Own returns the passes of the scope and the others.
func (s *Scope) Own(passes []record.Pass) (own, others []record.Pass) {
	if s == nil {
		return passes, nil
	}
	return s.Book.Own(passes, s.Era)
}

// Query is what a conclusion is asked for.
type Query struct {
	Filter  Filter
	Factors []string // that make a cell; none for the usual ones
	By      []string // that are compared by
	Old     []string // tags of older passes that fill cells
	Accept  []string // differences of the older passes that are accepted
	Alone   bool     // only the selected passes tell how much passes differ
	Whole   bool     // with everything that is known of the selected passes; else as [store.Store.Lean] has them
}

// Choose selects the passes that a conclusion rests on and sets in o what follows from the
// campaign: its factors and levels, and the passes whose spread counts.
func Choose(ctx context.Context, a *cli.Streams, r store.Reader, s *Scope, q Query, o *analysis.Options) (sel Basis,
	err error) {
	if err := sel.pick(ctx, r, s, q); err != nil {
		return sel, err
	}
	own := sel.Passes
	sel.scope, sel.own, sel.some = s, own, !q.Filter.IsZero()
	sel.factors(s, q.Factors, q.By, o)
	if o.Systems, err = SystemsIn(ctx, r, sel.Passes); err != nil {
		return sel, err
	}
	if err := sel.older(ctx, a, r, s, q, o); err != nil {
		return sel, err
	}
	if err := sel.noted(ctx, a, r); err != nil {
		return sel, err
	}
	if q.Alone {
		return sel, nil
	}
	if q.Filter.IsZero() {
		o.History = own // a second copy would be as large
		if s == nil {
			return sel, nil
		}
	}
	beside, others, err := sel.beside(ctx, r, s)
	if o.Elsewhere = others; !q.Filter.IsZero() {
		o.History = beside
	}
	return sel, err
}

// take notes the passes of the scope and what was left out.
func (sel *Basis) take(s *Scope, own []record.Pass, others []batch) {
	sel.Passes, sel.Count = own, len(own)
	if s == nil {
		return
	}
	sel.Campaign = s.Book.Campaign.Name
	sel.LeftOut = others
	untagged := batches(slices.DeleteFunc(slices.Clone(own),
		func(p record.Pass) bool { return p.Tags.Value(record.TagCampaign) != "" }))
	if len(untagged) > 0 {
		sel.Untagged = &untagged[0]
	}
}

// Planned returns the cells of the campaign's plan that lack passes, and how many planned cells
// were looked at; where some passes are selected, those cells alone whose levels they have.
func (sel Basis) Planned() (open []Planned, cells int) {
	if sel.scope == nil {
		return nil, 0
	}
	has := map[string]bool{}
	for _, p := range sel.own {
		for name, t := range p.Tags {
			has[name+"\x00"+t.Value] = true
		}
	}
	plan := sel.scope.Book.Plan
	cover := plan.Cover(sel.own)
	for i := range plan.Len() {
		values, meant := plan.Cell(i), true
		for name, v := range values {
			meant = meant && (!sel.some || has[name+"\x00"+v])
		}
		if !meant {
			continue
		}
		cells++
		if st := cover.State(i); !st.Complete() {
			open = append(open, Planned{values, st})
		}
	}
	return open, cells
}

// Foreign says for people which passes are of another campaign, of none, or stand apart.
func (sel Basis) Foreign() (out []string) {
	if u := sel.Untagged; u != nil {
		out = append(out, fmt.Sprintf("campaign %s also counts %s; they fit its cells", sel.Campaign, u))
	}
	if sel.Apart {
		out = append(out, "several campaigns, shown as separate cells: "+listBatches(batches(sel.Passes)))
	}
	return out
}

// batches counts passes by campaign, in order of time.
func batches(passes []record.Pass) []batch {
	var out []batch
	for _, p := range passes {
		of := p.Tags.Value(record.TagCampaign)
		i := slices.IndexFunc(out, func(b batch) bool { return b.Campaign == of })
		if i < 0 {
			i = len(out)
			out = append(out, batch{Campaign: of, From: p.StartedAt, To: p.StartedAt})
		}
		b := &out[i]
		b.Passes++
		if p.StartedAt.Before(b.From) {
			b.From = p.StartedAt
		}
		if p.StartedAt.After(b.To) {
			b.To = p.StartedAt
		}
	}
	sortBatches(out)
	return out
}

// Several says of passes that are changed together that they are of several campaigns, and
// how to take those of one; "" where they are not.
func Several(passes []record.Pass) string {
	list := slices.DeleteFunc(batches(passes), func(b batch) bool { return b.Campaign == "" })
	if len(list) < 2 {
		return ""
	}
	return fmt.Sprintf("these are %s; --tag campaign=NAME selects those of one", listBatches(list))
}

func sortBatches(list []batch) {
	slices.SortFunc(list, func(x, y batch) int {
		return cmp.Or(x.From.Compare(y.From), cmp.Compare(x.Campaign, y.Campaign))
	})
}

// factors sets what makes a cell: the usual factors, those of the campaign, the one that is
// compared by, and the campaign itself where a cell would else hold passes of several.
func (sel *Basis) factors(s *Scope, asked, by []string, o *analysis.Options) {
	o.Factors = slices.Clone(asked)
	if len(asked) == 0 {
		o.Factors = slices.Clone(record.CellFactors)
	}
	add := func(name string) {
		if !slices.Contains(o.Factors, name) {
			o.Factors = append(o.Factors, name)
		}
	}
	if s != nil {
		o.Levels = map[string][]string{}
		for _, f := range s.Book.Campaign.Factors {
			o.Levels[f.Name] = f.Levels
			if len(asked) == 0 {
				add(f.Name)
			}
		}
	}
	for _, name := range by {
		if slices.ContainsFunc(sel.Passes, func(p record.Pass) bool { return p.Tags.Value(name) != "" }) {
			add(name)
		}
	}
	if s == nil && !slices.Contains(o.Factors, record.TagCampaign) && severalCampaigns(sel.Passes, o.Factors) {
		add(record.TagCampaign)
		sel.Apart = true
	}
}

// severalCampaigns reports whether a cell holds passes of more than one campaign.
func severalCampaigns(passes []record.Pass, factors []string) bool {
	of := map[string]string{}
	for _, p := range passes {
		key := strings.Join(cellTexts(p.Tags, factors), "\x00")
		is := p.Tags.Value(record.TagCampaign)
		if was, known := of[key]; known && was != is {
			return true
		}
		of[key] = is
	}
	return false
}

func cellTexts(tags record.Tags, factors []string) []string {
	out := make([]string, len(factors))
	for i, f := range factors {
		out[i] = tags.Value(f)
	}
	return out
}

// older adds the older passes that --old names for cells that the campaign has no pass of
// that counts, by the rule of 'capctl reuse'.
func (sel *Basis) older(ctx context.Context, a *cli.Streams, r store.Reader, s *Scope, q Query,
	o *analysis.Options) error {
	if len(q.Old) == 0 {
		return nil
	}
	filter := Filter{Tag: append(slices.Clone(q.Filter.Tag), q.Old...), Verdict: q.Filter.Verdict, Bench: q.Filter.Bench}
	passes, err := filter.Named(ctx, r, nil)
	if err != nil {
		return err
	}
	_, old := s.Own(passes)
	for i := range old {
		old[i] = s.Book.Named(old[i])
	}
	if o.Systems, err = SystemsIn(ctx, r, append(slices.Clone(sel.Passes), old...)); err != nil {
		return err
	}
	gate := reuse.Comparable(old, sel.Passes, o.Systems, q.Accept, *o)
	if gate.Refused {
		return refused(a, gate)
	}
	for _, d := range gate.Differences {
		if d.Accepted {
			sel.Accepted = append(sel.Accepted, d.Name)
		}
	}
	have := map[string]bool{}
	for _, p := range sel.Passes {
		if p.Verdict != record.VerdictBad {
			have[strings.Join(cellTexts(p.Tags, o.Factors), "\x00")] = true
		}
	}
	old = slices.DeleteFunc(old,
		func(p record.Pass) bool { return have[strings.Join(cellTexts(p.Tags, o.Factors), "\x00")] })
	sel.Older = batches(old)
	sel.Passes = append(slices.Clone(sel.Passes), old...)
	return nil
}

// refused says why older passes may not stand beside new ones.
func refused(a *cli.Streams, gate reuse.Comparability) error {
	switch {
	case gate.OldPasses == 0:
		return cli.FailedError(errors.New("--old selects no older pass that counts"),
			"'capctl passes' with --tag in place of --old lists the selection")
	case gate.NewPasses == 0:
		return cli.FailedError(errors.New("the campaign has no pass yet to compare older ones with"))
	}
	var names []string
	for _, d := range gate.Differences {
		if d.Matters && !d.Accepted {
			names = append(names, fmt.Sprintf("%s (%s; now %s)", d.Name, output.Values(d.Old), output.Values(d.New)))
		}
	}
	a.Say("the older passes are not comparable with the campaign's: %s", safe.Plain(strings.Join(names, ", ")))
	a.Say("hint: 'capctl reuse --old ...' says why each matters; --accept NAME compares in spite of one")
	return cli.ErrFound
}

// Mark says of each cell of older passes that it is one.
func (sel *Basis) Mark(cells []analysis.Cell) {
	if len(sel.Older) == 0 {
		return
	}
	by := map[string]record.Pass{}
	for _, p := range sel.Passes {
		by[p.ID] = p
	}
	for i := range cells {
		var used []record.Pass
		for _, u := range cells[i].Passes.Used {
			used = append(used, by[u.ID])
		}
		for _, b := range batches(used) {
			if b.Campaign != sel.Campaign && slices.ContainsFunc(sel.Older,
				func(o batch) bool { return o.Campaign == b.Campaign && !b.From.Before(o.From) && !b.To.After(o.To) }) {
				cells[i].Older = &analysis.Older{Campaign: b.Campaign, Passes: b.Passes, From: b.From, To: b.To}
				cells[i].Warnings = append(cells[i].Warnings, "older: "+b.String())
			}
		}
	}
}

// String says for people how many passes they are, of what and from when.
func (b batch) String() string {
	of := "of campaign " + b.Campaign
	if b.Campaign == "" {
		of = "without a campaign"
	}
	from, to := b.From.Local().Format(time.DateOnly), b.To.Local().Format(time.DateOnly)
	if from != to {
		from += " to " + to
	}
	return fmt.Sprintf("%d %s (%s)", b.Passes, of, from)
}

func listBatches(list []batch) string {
	parts := make([]string, len(list))
	for i, b := range list {
		parts[i] = b.String()
	}
	return strings.Join(parts, ", ")
}

// Sum gathers in what the passes of cells were not taken alike.
func (sel *Basis) Sum(cells []analysis.Cell) {
	for _, c := range cells {
		for _, m := range c.Mixed {
			i := slices.IndexFunc(sel.Mixed, func(x mixes) bool { return x.What == m.What })
			if i < 0 {
				i = len(sel.Mixed)
				sel.Mixed = append(sel.Mixed, mixes{What: m.What})
			}
			sel.Mixed[i].Cells++
			for _, v := range slices.Sorted(maps.Keys(m.Values)) {
				if !slices.Contains(sel.Mixed[i].Values, v) {
					sel.Mixed[i].Values = append(sel.Mixed[i].Values, v)
				}
			}
		}
	}
	for i := range sel.Mixed {
		slices.Sort(sel.Mixed[i].Values)
	}
}

// Lines say for people what the conclusion rests on, none where there is nothing to tell.
func (sel Basis) Lines(cells int) []string {
	var out []string
	if n := len(sel.LeftOut); n > 0 {
		text := fmt.Sprintf("campaign %s: %s; left out: %s", sel.Campaign, record.Count(sel.Count, "pass"),
			listBatches(sel.LeftOut))
		out = append(out, text)
	}
	out = append(out, sel.Foreign()...)
	if len(sel.Older) > 0 {
		text := "older passes fill cells where the campaign has none: " + listBatches(sel.Older)
		if len(sel.Accepted) > 0 {
			text += "; accepted differences: " + strings.Join(sel.Accepted, ", ")
		}
		out = append(out, text)
	}
	for _, m := range sel.Mixed {
		const most = 4
		values := slices.Clone(m.Values)
		if n := len(values) - most; n > 0 {
			values = append(values[:most], fmt.Sprintf("%d more", n))
		}
		of := "passes of more than one " + m.What
		if m.What == "time" {
			of = "passes months apart, from"
		}
		for i, v := range values {
			values[i] = cmp.Or(v, "unknown")
		}
		out = append(out, fmt.Sprintf("in %d of %s the mean mixes %s: %s", m.Cells, record.Count(cells, "cell"), of,
			strings.Join(values, ", ")))
	}
	return out
}

// Tell says it on the terminal, with what to do.
func (sel Basis) Tell(a *cli.Streams, cells []analysis.Cell) {
	for _, line := range sel.Lines(len(cells)) {
		a.Say("note: %s", safe.Plain(line))
	}
	if len(sel.LeftOut) == 0 {
		return
	}
	other := "" // the latest of the other campaigns
	for _, b := range sel.LeftOut {
		if b.Campaign != "" {
			other = b.Campaign
		}
	}
	switch none := sel.Count == 0 || sel.Untagged != nil && sel.Untagged.Passes == sel.Count; {
	case other != "" && none: // bears the campaign's name
		a.Say("hint: if %s is an earlier name of this campaign, write was = [%q] into its file; --any takes all passes",
			safe.Plain(other), other)
	case other != "":
		with := "campaign=" + cli.Quoted(other)
		a.Say("hint: 'capctl reuse --old %s' says whether they are comparable; --old %s then fills cells without a pass",
			with, with)
	default:
		a.Say("hint: set since = in the campaign file to count passes without a campaign from then on; add single ones with 'capctl tag ID campaign=%s'", cli.Quoted(sel.Campaign))
	}
}

// Emit prints after the results what the reviewer noted and, in a program's output, the
// selection where there is something to tell.
func (sel Basis) Emit(a *cli.Streams, form output.Form, cells []analysis.Cell) error {
	if form.JSON && len(sel.Lines(len(cells))) > 0 {
		if err := output.JSON(a.Out, map[string]any{"selection": sel}); err != nil {
			return cli.FailedError(err)
		}
	}
	return PrintNotes(a, form, sel.Notes)
}
