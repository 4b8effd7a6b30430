package steering

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"capd.example/campaign"
	"capd.example/control"
	"capd.example/internal/judging"
	"capd.example/internal/logbook"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// Desk takes the orders that are given through the page and has them carried out as the commands
// do. Its method Do may be called from several goroutines.
type Desk struct {
	// Book is the campaign that the page shows, nil for none; NoBook is why there is none where
	// there should be one.
	Book   *logbook.Book
	NoBook error

	Bench    string
	Required []string // checks
	Store    *store.Store
	Agent    control.Agent
	// Changed is told that an order was carried out: passes may have been put back to be judged
	// again.
	Changed func()
}

// Do has an order carried out and says what came of it.
func (d *Desk) Do(ctx context.Context, o control.Order) (said string, err error) {
	who := strings.TrimSpace(safe.Line(o.Who) + " (page)")
	switch o.Verb {
	case control.VerbBegin, control.VerbNext, control.VerbSkip, control.VerbKeep:
		said, err = d.steer(ctx, o)
	case control.VerbOverrule, control.VerbTakeBack:
		said, err = d.byHand(ctx, o, who)
	case control.VerbAck:
		said, err = d.acknowledge(ctx, o.Alert, who)
	case control.VerbPause:
		said, err = "Paused: logs wait, and none is lost.", d.Agent.Pause(ctx, "by "+who)
	case control.VerbResume:
		said, err = "Logs are judged again.", d.Agent.Resume(ctx)
	default:
		err = fmt.Errorf("there is no order %q: load the page anew", safe.Line(string(o.Verb)))
	}
	d.Changed() // with an error, too: a part may have been done
	return said, err
}

// steer gives an order about the campaign.
func (d *Desk) steer(ctx context.Context, o control.Order) (string, error) {
	if d.Book == nil {
		return "", cmp.Or(d.NoBook, errors.New("no campaign is in force on this bench"))
	}
	b := d.Book
	b.Lock()
	defer b.Unlock()
	page, err := b.Read(ctx, d.Store, d.Bench)
	if err != nil {
		return "", fmt.Errorf("read where the campaign stands: %w", err)
	}
	orders, did, err := d.orders(ctx, o, page)
	if err != nil {
		return "", err
	}
	if err := b.Give(ctx, d.Store, d.Bench, orders...); err != nil {
		return "", fmt.Errorf("note the order: %w", err)
	}
	pos, cover := b.Plan.ReplayOn(append(page.Orders, orders...), page.Passes, page.Now)
	if did != "" {
		did += ". "
	}
	if pos.Cell < 0 {
		return did + "No cell is current now.", nil
	}
	return fmt.Sprintf("%sNow: %s, %s; %s.", did, b.Plan.Where(pos.Cell), b.Plan.Name(pos.Cell),
		cover.Advice(pos.Cell, pos)), nil
}

// stale refuses an order that was given for another cell than the one with its number, or for the
// current cell where another one is current now: the page was not up to date, or somebody pressed twice.
func stale(b *logbook.Book, o control.Order, cell, now int) error {
	if cell >= 0 && o.Key != b.Key(cell) {
		return fmt.Errorf("the page is out of date: it shows another cell as %s; look again, nothing was changed", b.Plan.Where(cell))
	}
	if o.Current != "" && o.Current != b.Key(now) {
		return fmt.Errorf("%s is no longer current; nothing was changed", b.Plan.Where(cell))
	}
	return nil
}

// orders decides what an order means where the campaign stands, and says what it did beside
// moving the position.
func (d *Desk) orders(ctx context.Context, o control.Order, page logbook.Page) (orders []campaign.Order,
	did string, err error) {
	b, cell, now := d.Book, o.Cell-1, page.Position.Cell
	if cell >= b.Plan.Len() || cell < 0 && (o.Verb != control.VerbBegin || o.Cell < 0) {
		return nil, "", fmt.Errorf("the campaign has no cell %d", o.Cell)
	}
	if err := stale(b, o, cell, now); err != nil {
		return nil, "", err
	}
	switch o.Verb {
	case control.VerbBegin:
		if cell < 0 && now >= 0 {
			return nil, "", fmt.Errorf("the plan was begun already: %s is current", b.Plan.Where(now))
		}
		if cell < 0 {
			all, err := b.Plan.Find(nil)
			if err != nil {
				return nil, "", err
			}
			sys, _, err := d.Store.LastSystem(ctx, d.Bench, "")
			if err != nil {
				return nil, "", err
			}
			cell = Start(b, page, all, b.Installed(sys))
		}
		return []campaign.Order{At(b, page, cell)}, "", nil
	case control.VerbNext:
		if cell != now {
			return nil, "", fmt.Errorf("%s is no longer current; nothing was changed", b.Plan.Where(cell))
		}
		if orders, err = GoOn(ctx, b, d.Store, page); err == nil && len(orders) == 0 {
			err = errors.New("there is no cell to go on to")
		}
		return orders, "", err
	}
	keep := o.Verb == control.VerbKeep
	if page.Position.Skipped[cell] != keep {
		state := map[bool]string{true: "skipped already", false: "not skipped"}[!keep]
		return nil, "", fmt.Errorf("%s is %s", b.Plan.Where(cell), state)
	}
	orders, open := Leave(b, page, []int{cell}, keep)
	did = "Skipped"
	if keep {
		did = "Back in the plan:"
	}
	return orders, fmt.Sprintf("%s %s, %s open", did, b.Plan.Where(cell), record.Count(open, "pass")), nil
}

// byHand sets a verdict by hand, or takes that back.
func (d *Desk) byHand(ctx context.Context, o control.Order, who string) (string, error) {
	why := safe.Line(o.Why)
	if safe.Blank(why) {
		return "", errors.New("the reason is missing: give it in a few words, for readers of the results")
	}
	was, err := d.Store.Pass(ctx, o.Pass)
	if err != nil || was.ID != o.Pass {
		return "", cmp.Or(err, fmt.Errorf("there is no pass %q", safe.Line(o.Pass)))
	}
	if o.Seen != was.VerdictKey() {
		return "", fmt.Errorf("the page is out of date: the pass is %s by now; look again, nothing was changed", stands(was))
	}
	factors, err := d.factors()
	if err != nil {
		return "", err
	}
	set := func() error { return d.Store.OverruleSeen(ctx, was, o.Verdict, why, who) }
	if o.Verb == control.VerbTakeBack {
		if was.Overruled == "" {
			return "", fmt.Errorf("pass %s: %w", was.ID, store.ErrNotByHand)
		}
		judge := func(f []record.Finding) record.Verdict { return record.Judge(f, d.Required) }
		set = func() error { return d.Store.TakeBack(ctx, was, why, who, judge) }
	} else if !o.Verdict.Valid() {
		return "", fmt.Errorf("%q is none of clean, unverified, doubtful, bad", safe.Line(string(o.Verdict)))
	} else if o.Verdict == was.Verdict && why == was.Overruled {
		return "", fmt.Errorf("the pass is %s already, for this reason; nothing was changed", stands(was))
	}
	if err := judging.ByHand(ctx, d.Store, factors, was, set); err != nil {
		return "", err
	}
	now, err := d.Store.Pass(ctx, was.ID)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("The pass was %s and is now %s.", cmp.Or(was.Verdict, "not judged"), stands(now)), nil
}

// stands is the verdict of a pass, and who gave it.
func stands(p record.Pass) string {
	by := "by hand"
	if p.Overruled == "" {
		by = "by its checks"
	}
	return fmt.Sprintf("%s %s", cmp.Or(p.Verdict, "not judged yet"), by)
}

// factors are those that make a cell on this bench.
func (d *Desk) factors() ([]string, error) {
	if d.Book == nil {
		return record.CellFactors, d.NoBook
	}
	return d.Book.Campaign.FactorNames(), nil
}

// acknowledge notes that somebody saw an alert, on every channel.
func (d *Desk) acknowledge(ctx context.Context, id, who string) (string, error) {
	rows, err := d.Store.Alerts(ctx, true, 0)
	if err != nil {
		return "", err
	}
	open := false
	for _, row := range rows {
		alert, _, _ := strings.Cut(row.ID, "/") // behind it stands the channel
		if alert != id {
			continue
		}
		if err := d.Store.Acknowledge(ctx, row.ID, who); err != nil {
			return "", err
		}
		open = true
	}
	if !open {
		return "", errors.New("no such alert is open any more")
	}
	return "Acknowledged.", nil
}
