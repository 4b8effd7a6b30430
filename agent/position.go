package agent

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"capd.example/campaign"
	"capd.example/config"
	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/internal/logbook"
	"capd.example/notify"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
)

// planner is the campaign in force as the agent uses it; nil where there is none.
type planner struct {
	book  *logbook.Book
	store *store.Store
	bench string
	log   zerolog.Logger

	turn   chan struct{} // a book is for one at a time: the agent's own work, or who asks for its status
	mu     sync.Mutex
	warned map[string]bool // identities of warnings about changed parts
	said   string          // what was last said about the position
	stray  string          // the cell of the last pass and the position, where they differed
}

// newPlanner reads the campaign that the configuration names. It is ready when taught.
func newPlanner(c config.Config, log zerolog.Logger) (*planner, error) {
	if c.Campaign == "" {
		return nil, nil
	}
	book, err := logbook.Open(c.Campaign)
	if err == nil {
		book.Clock = time.Now
	}
	if err != nil {
		return nil, cli.UsageError(err,
			"'capctl plan' checks the file; without campaign = in the configuration the agent runs without a plan")
	}
	return &planner{book: book, bench: c.Bench, log: log, turn: make(chan struct{}, 1), warned: map[string]bool{}}, nil
}

// teach adds what the campaign knows to what is known before a pass; s is where its passes
// and orders are.
func (p *planner) teach(ctx context.Context, s *store.Store, k *pipeline.Knowledge) {
	if p == nil {
		return
	}
	p.store = s
	k.Aliases = p.book.Aliases
	k.Factors = p.book.Campaign.FactorNames()
	k.Plan = func(started, ended time.Time, others []record.Claim) []record.Claim {
		p.turn <- struct{}{}
		defer p.shut()
		page, err := p.book.Read(ctx, p.store, p.bench)
		if err != nil {
			// A pass without the plan's word is better than none.
			p.log.Error().Err(err).Msg("the position in the campaign is unknown")
		}
		return p.book.Claims(page, started, ended, others)
	}
	otherwise := k.Expect
	k.Expect = func(t record.Tags) record.Expectation {
		return judging.Prefer(p.book.Campaign.Expect(t), otherwise(t))
	}
}

// judged says what a judged pass means for the campaign, "" where there is none.
func (p *planner) judged(ctx context.Context, pass record.Pass) string {
	if p == nil {
		return ""
	}
	p.turn <- struct{}{}
	defer p.shut()
	page, err := p.book.Read(ctx, p.store, p.bench)
	if err != nil {
		p.log.Error().Err(err).Msg("the position in the campaign is unknown")
		return ""
	}
	others := slices.DeleteFunc(slices.Clone(page.Passes), func(o record.Pass) bool { return o.ID == pass.ID })
	before, _ := p.book.Plan.ReplayOn(page.Orders, others, page.Now)
	line := page.Coverage.Line(p.book.Named(pass), before, page.Position)
	if cell, _ := p.book.Plan.Place(p.book.Named(pass).Tags); cell >= 0 {
		current := cell == page.Position.Cell || cell == before.Cell
		if stray := p.strays(page, pass, cell, before); !p.news(page, current) && !stray {
			return ""
		}
	}
	p.log.Info().Str("pass", pass.ID).Msg("campaign: " + line)
	return line
}

// news reports whether there is something to say about the position: it is not where it
// was, or the pass was of the current cell. Old logs that are taken in one after the other
// would else say the same of each.
func (p *planner) news(page logbook.Page, current bool) bool {
	now := page.Coverage.Advice(page.Position.Cell, page.Position)
	p.mu.Lock()
	defer p.mu.Unlock()
	same := p.said == now
	p.said = now
	return current || !same
}

// strays reports whether a pass counts for another cell than the one that was current when it
// started, and this was not said of the pass before: old logs that come in a row say it once,
// and one that was just recorded always.
func (p *planner) strays(page logbook.Page, pass record.Pass, cell int, before campaign.Position) bool {
	at, begun := before.When(pass.StartedAt, pass.EndedAt)
	p.mu.Lock()
	defer p.mu.Unlock()
	if !begun || at == cell || !campaign.Elsewhere(cell, before, page.Position) {
		p.stray = ""
		return false
	}
	now := fmt.Sprint(cell, before.Cell)
	same := p.stray == now
	p.stray = now
	return !same || time.Since(pass.LogAt) < goodFor
}

// positionPatience is how long the position may take: the rest of the agent's status must
// not wait for a store of hundreds of thousands of passes to be gone through.
const positionPatience = time.Second

// wantsPatience is how long the same may take for the lab: nobody waits for it but whoever
// else needs the plan.
const wantsPatience = 5 * time.Second

// wants returns the name of the campaign, "" where there is none, and how many passes it
// still wants.
func (p *planner) wants(ctx context.Context) (name string, passes int, err error) {
	if p == nil {
		return "", 0, nil
	}
	ctx, stop := context.WithTimeout(ctx, wantsPatience)
	defer stop()
	if err := p.open(ctx); err != nil {
		return "", 0, err
	}
	defer p.shut()
	page, err := p.book.Read(ctx, p.store, p.bench)
	if err != nil {
		return "", 0, err
	}
	passes, _ = page.Coverage.Left(page.Position)
	return p.book.Campaign.Name, passes, nil
}

// open waits until nobody else reads the book, or ctx ends; shut lets the next one.
func (p *planner) open(ctx context.Context) error {
	select {
	case p.turn <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (p *planner) shut() { <-p.turn }

const unknownPosition = "the position is unknown just now; see 'capctl next'"

// position says where the campaign stands and what is next, "" where there is none.
func (p *planner) position(ctx context.Context) string {
	if p == nil {
		return ""
	}
	ctx, stop := context.WithTimeout(ctx, positionPatience)
	defer stop()
	if err := p.open(ctx); err != nil {
		return unknownPosition
	}
	defer p.shut()
	page, err := p.book.Read(ctx, p.store, p.bench)
	if err != nil {
		return unknownPosition
	}
	advice := page.Coverage.Advice(page.Position.Cell, page.Position)
	if page.Position.Cell < 0 {
		return advice
	}
	return p.book.Plan.Where(page.Position.Cell) + " (" + p.book.Plan.Name(page.Position.Cell) + "); " + advice
}

// arrived compares the bench with what it was for its last pass, when the agent starts.
func (p *planner) arrived(ctx context.Context, now record.System) (notify.Alert, bool) {
	if p == nil {
		return notify.Alert{}, false
	}
	last, ok, err := p.store.LastSystem(ctx, p.bench, "")
	if err != nil || !ok {
		return notify.Alert{}, false // nothing was recorded yet
	}
	return p.swapped(ctx, last, now)
}

// changed does the same for a system of which only the changes are known.
func (p *planner) changed(ctx context.Context, changes []record.Change) (notify.Alert, bool) {
	if p == nil {
		return notify.Alert{}, false
	}
	last, ok, err := p.store.LastSystem(ctx, p.bench, "")
	if err != nil || !ok {
		return notify.Alert{}, false
	}
	was := record.System{Fields: slices.Clone(last.Fields)}
	for _, c := range changes {
		was.Fields = slices.DeleteFunc(was.Fields, func(f record.Field) bool { return f.Name == c.Name })
		was.Fields = append(was.Fields, c.Old)
	}
	return p.swapped(ctx, was, last)
}

// swapped warns about a part that was taken out while cells for it are open.
func (p *planner) swapped(ctx context.Context, was, now record.System) (notify.Alert, bool) {
	p.turn <- struct{}{}
	defer p.shut()
	old, fresh := p.book.Installed(was), p.book.Installed(now)
	page, err := p.book.Read(ctx, p.store, p.bench)
	if err != nil {
		p.log.Error().Err(err).Msg("the position in the campaign is unknown")
		return notify.Alert{}, false
	}
	with := map[string]string{}
	for _, f := range p.book.Plan.Factors() {
		if old[f.Name] == "" {
			continue
		}
		with[f.Name] = old[f.Name]
		if old[f.Name] == fresh[f.Name] {
			continue
		}
		open := page.Coverage.OpenWith(page.Position, with)
		if len(open.Cells) == 0 {
			return notify.Alert{}, false
		}
		is := fresh[f.Name]
		if is == "" {
			if is = reported(now, f.Name); is == "" {
				return notify.Alert{}, false // what is in now could not be read
			}
		}
		return p.warning(f.Name, old[f.Name], is, with, open)
	}
	return notify.Alert{}, false
}

// reported returns what the machine itself calls a part.
func reported(s record.System, factor string) string {
	for _, c := range tag.FromSystem(s) {
		if c.Name == factor {
			return c.Value
		}
	}
	return ""
}

func (p *planner) warning(factor, was, is string, with map[string]string, open campaign.Open) (notify.Alert, bool) {
	var names []string
	for _, f := range p.book.Plan.Factors() {
		if v := with[f.Name]; v != "" {
			names = append(names, fmt.Sprintf("%s=%q", f.Name, v))
		}
	}
	a := notify.Alert{
		Kind: notify.Changed, At: time.Now().UTC(), Bench: p.bench, Cause: "part",
		Text: fmt.Sprintf("%s was changed from %s to %s, but cells for it are still open: %d, with %s, of %s",
			factor, was, is, len(open.Cells), record.Count(open.Passes, "pass"), strings.Join(names, " ")),
		Advice: "put it back and finish them, or go on: they stay open until it is in again; list them with 'capctl coverage --open'",
	}
	// Of the values, not of the sentence: another wording is no other warning.
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q %q %q %q %d %d %q", p.bench, p.book.Campaign.Name, factor, was, is,
		len(open.Cells), open.Passes, names))
	a.ID = "part-" + hex.EncodeToString(sum[:8])
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.warned[a.ID] {
		return a, false
	}
	p.warned[a.ID] = true
	return a, true
}

// forget lets a warning that could not be told come again.
func (p *planner) forget(a notify.Alert) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.warned, a.ID)
}
