// Package logbook is a campaign together with a store: the campaign's file, the names it
// gives to what machines report, the passes that may belong to it, and the reviewer's
// orders about the position. Both programs read it, and add orders in one step each, so that
// those of the page and of a command never overwrite each other.
package logbook

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"capd.example/campaign"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
)

// Book is a campaign laid out, with its names.
type Book struct {
	// Mutex is held by those who share a book while they read or order: it remembers what it
	// looked up.
	sync.Mutex
	Campaign *campaign.Campaign
	Plan     *campaign.Plan
	Aliases  tag.Aliases
	// Clock says what time it is, so that a session that begins is told from one that goes
	// on; nil where only what is stored counts.
	Clock func() time.Time
}

// Open reads a campaign file.
func Open(file string) (*Book, error) {
	c, err := campaign.Load(file)
	if err != nil {
		return nil, err
	}
	p, err := campaign.NewPlan(c)
	if err != nil {
		return nil, err
	}
	a, err := tag.NewAliases(c.Aliases())
	if err != nil {
		return nil, fmt.Errorf("campaign %s: %w", file, err)
	}
	return &Book{Campaign: c, Plan: p, Aliases: a}, nil
}

// Key tells a cell, from 0, by the campaign and its levels: unlike its number it is never that of
// another cell after the campaign's file was changed. It is short, whatever the levels are called;
// "" for no cell.
func (b *Book) Key(cell int) string {
	if cell < 0 || cell >= b.Plan.Len() {
		return ""
	}
	text, err := json.Marshal([]any{b.Campaign.Name, b.Plan.Cell(cell)}) // which sorts the factors
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:12])
}

// Page is where a campaign stands on a bench.
type Page struct {
	Orders   []campaign.Order
	Passes   []record.Pass // that belong to the campaign, as [store.Store.Lean] has them, with the reviewer's names
	Position campaign.Position
	Coverage *campaign.Coverage
	Others   int // passes of the store that do not belong to it
	Now      campaign.Now
}

// Passes is a store, or a lab's database, as far as a campaign is read from it.
type Passes interface {
	Each(context.Context, store.Filter, func(record.Pass) error) error
}

// Read works out where the campaign stands. Passes of every bench in the store count.
func (b *Book) Read(ctx context.Context, s *store.Store, bench string) (Page, error) {
	var page Page
	var err error
	if page.Orders, err = b.Orders(ctx, s, bench); err != nil {
		return page, err
	}
	era, err := b.Era(ctx, s, page.Orders)
	if err != nil {
		return page, err
	}
	// Passes without the tag may belong to the campaign: their logs may be older than it.
	for _, of := range append(b.Campaign.Names(), "") {
		err := s.Lean(ctx, b.tagged(of), nil, func(p record.Pass) error { // findings tell nothing of a position
			if p.Tags.Value(record.TagCampaign) == of && b.Campaign.Belongs(p, era) { // the filter takes patterns
				page.Passes = append(page.Passes, b.Named(p))
			}
			return nil
		})
		if err != nil {
			return page, err
		}
	}
	all, err := s.Count(ctx, store.Filter{})
	if err != nil {
		return page, err
	}
	page.Others = all - len(page.Passes)
	page.Now = campaign.Now{Bench: bench}
	if b.Clock != nil {
		page.Now.At = b.Clock()
	}
	page.Position, page.Coverage = b.Plan.ReplayOn(page.Orders, page.Passes, page.Now)
	return page, nil
}

func (b *Book) tagged(campaign string) store.Filter {
	return store.Filter{Tags: map[string]string{record.TagCampaign: campaign}, Since: b.Campaign.Since}
}

// Orders returns what the reviewer ordered on a bench, under the campaign's name and under
// those that it had before.
func (b *Book) Orders(ctx context.Context, s *store.Store, bench string) ([]campaign.Order, error) {
	var all []campaign.Order
	names := b.Campaign.Names()
	slices.Reverse(names) // the oldest orders first
	for _, name := range names {
		text, _, err := s.Setting(ctx, campaign.OrdersKey(name, bench))
		if err != nil {
			return nil, err
		}
		orders, err := campaign.DecodeOrders(text)
		if err != nil {
			return nil, err
		}
		all = append(all, orders...)
	}
	return all, nil
}

// Era returns the time in which the campaign was measured, see [campaign.Era].
func (b *Book) Era(ctx context.Context, r Passes, orders []campaign.Order) (campaign.Era, error) {
	var era campaign.Era
	for _, o := range orders {
		era = era.Add(o.At)
	}
	for _, name := range b.Campaign.Names() {
		for _, newest := range []bool{false, true} {
			f := b.tagged(name)
			f.Limit, f.Newest = 1, newest
			for found, seen := false, true; !found && seen; f.Offset++ {
				seen = false
				err := r.Each(ctx, f, func(p record.Pass) error {
					seen = true
					if found = p.Tags.Value(record.TagCampaign) == name; found { // the filter takes patterns
						era = era.Add(p.StartedAt)
					}
					return nil
				})
				if err != nil {
					return era, err
				}
			}
		}
	}
	return era, nil
}

// Own tells the passes that belong to the campaign, with the reviewer's names, from the
// others. One without the tag campaign must fit a cell.
func (b *Book) Own(passes []record.Pass, era campaign.Era) (own, others []record.Pass) {
	for _, p := range passes {
		if !b.Campaign.Belongs(p, era) {
			others = append(others, p)
			continue
		}
		named, fits := b.Named(p), true
		if !b.Campaign.Bears(p) {
			cell, _ := b.Plan.Place(named.Tags)
			fits = cell >= 0
		}
		if fits {
			own = append(own, named)
		} else {
			others = append(others, p)
		}
	}
	return own, others
}

// Named returns the pass with the reviewer's names in its tags and without its claims.
func (b *Book) Named(p record.Pass) record.Pass {
	p.Tags = maps.Clone(p.Tags)
	for name, t := range p.Tags {
		if short, m := b.Aliases.Short(name, t.Value); m.Kind == tag.Exact || m.Kind == tag.Pattern {
			p.Tags[name] = record.Tag{Value: short, From: t.From}
		}
	}
	p.Claims = nil
	return p
}

// Give adds orders to those of a bench.
func (b *Book) Give(ctx context.Context, s *store.Store, bench string, given ...campaign.Order) error {
	return s.ChangeSetting(ctx, campaign.OrdersKey(b.Campaign.Name, bench), func(text string) (string, error) {
		orders, err := campaign.DecodeOrders(text)
		if err != nil {
			return "", err
		}
		return campaign.EncodeOrders(append(orders, given...))
	})
}

// Claims returns what the plan says about a pass that ran then. Every pass is claimed for
// the campaign.
//
// Where the path, the log itself or the reviewer names another level of a factor than the
// plan, the log is not of the planned cell: the plan then says nothing about this factor
// and the cheaper ones, which may have been changed as well. What the bench detects does not
// silence the plan: that is a contradiction to be told.
func (b *Book) Claims(page Page, started, ended time.Time, others []record.Claim) []record.Claim {
	said := map[string]string{}
	for _, c := range others {
		if c.From == record.FromPath || c.From == record.FromHeader || c.From == record.FromHand {
			said[c.Name], _ = b.Aliases.Short(c.Name, c.Value)
		}
	}
	planned := b.Plan.Claims(page.Position, started, ended)
	keep := map[string]bool{}
	for _, f := range b.Plan.Factors() { // the costliest first
		i := slices.IndexFunc(planned, func(c record.Claim) bool { return c.Name == f.Name })
		if other := said[f.Name]; other != "" && (i < 0 || !strings.EqualFold(other, planned[i].Value)) {
			break
		}
		keep[f.Name] = true
	}
	claims := slices.DeleteFunc(planned, func(c record.Claim) bool { return !keep[c.Name] })
	return append(claims, record.Claim{Name: record.TagCampaign, Value: b.Campaign.Name, From: record.FromPlan,
		Detail: "the campaign in force"})
}

// Installed returns the levels of the campaign's factors that are built in, as far as the
// system tells and the campaign knows them.
func (b *Book) Installed(s record.System) map[string]string {
	out := map[string]string{}
	for _, c := range tag.FromSystem(s) {
		if _, ok := b.Campaign.Factor(c.Name); !ok {
			continue
		}
		if short, m := b.Aliases.Short(c.Name, c.Value); m.Kind == tag.Exact || m.Kind == tag.Pattern {
			out[c.Name] = short
		}
	}
	return out
}
