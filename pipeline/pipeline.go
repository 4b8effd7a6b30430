// Package pipeline carries one log through all steps to a judged pass, exactly once:
// read, measure, tag, save, check, judge, tell.
//
// It owns the order and nothing else. What touches the outside world is handed to it as
// the few small interfaces below, so that a test can run the whole order without a
// bench. A crash between two steps is mended by [Pipeline.Resume], which takes up every
// pass that was saved but not told about.
package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math"
	"slices"
	"time"

	"capd.example/framelog"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/tag"
)

// Log is a complete log as the watcher hands it on.
type Log struct {
	Path   string // where it lies
	Rel    string // path below the watched folder, for the templates
	Notice time.Time
	FileID string // the file system's own identity of the file, "" for none
	Forced bool   // taken at the latest time although a program still held it open
}

// File identifies the bytes that were read.
type File struct {
	SHA256  string
	Size    int64
	ModTime time.Time
	ID      string // the file system's own identity of the file, "" where there is none
	Bytes   []byte // the log itself where it is to be kept
}

// Reader reads the log at path. The file must not be changed by it.
type Reader interface {
	ReadLog(ctx context.Context, path string) (record.Reading, File, error)
}

// Bench says what the machine is and what happened on it.
type Bench interface {
	// System detects the bench as it is now.
	System(ctx context.Context) record.System
	// Telemetry returns the samples between two times; the error says why there are none.
	Telemetry(from, to time.Time, program string) (*record.Telemetry, error)
}

// Arrival is a read and tagged pass on its way into the store.
type Arrival struct {
	Pass      record.Pass
	Frames    record.Frames
	Telemetry *record.Telemetry
	System    record.System
	File      File
}

// Store keeps passes. Save must be atomic and must treat equal SHA256 as the same pass.
type Store interface {
	Save(ctx context.Context, a Arrival) (Saved, error)
	// Beside returns the judged passes around a pass in its cell, and how they and the pass
	// stand. It is ErrMeanwhile where the stored pass has other tags or a later log.
	Beside(ctx context.Context, p record.Pass, cell []string) (list []record.Pass, mark string, err error)
	// Settle stores what was found, all or nothing; ErrMeanwhile where the passes do not
	// stand as they did when it was found.
	Settle(ctx context.Context, o record.Examined) error
	MarkTold(ctx context.Context, id string) error
	// Unfinished lists passes that were saved but not told about, or that are to be judged
	// again, oldest first.
	Unfinished(ctx context.Context) ([]Unfinished, error)
	// Evidence loads what was stored about a pass.
	Evidence(ctx context.Context, id string) (record.Evidence, error)
	// Earlier returns the earlier passes of a cell, oldest first; "" asks for passes
	// without the tag.
	Earlier(ctx context.Context, p record.Pass, cell map[string]string) ([]record.Earlier, error)
	// LastSystem returns the system of the latest pass before this one; ok is false when
	// there was none.
	LastSystem(ctx context.Context, p record.Pass) (s record.System, ok bool, err error)
	// KnownBroken reports whether the same bytes at the same place were noted before as a
	// log that cannot be read for the same reason; RememberBroken notes them.
	KnownBroken(ctx context.Context, f File, path string, why error) (bool, error)
	RememberBroken(ctx context.Context, f File, path string, why error) error
}

// Saved is what became of an arrival.
type Saved struct {
	ID       string
	Created  bool // false: these bytes were stored before
	Revision int
}

// Unfinished is a pass that a crash left between two steps, or that is to be judged again
// since its tags or an earlier pass of its cell changed.
type Unfinished struct {
	ID      string
	Checked bool           // findings are stored; only the telling is left
	Was     record.Verdict // that people were told before; "" where they were told none
}

// Checker runs the validators. It never fails: what could not run is a finding.
type Checker interface {
	Check(ctx context.Context, e record.Evidence) []record.Finding
}

// Teller tells people. It must return quickly; delivery is its own business. An error
// says that what there was to tell may be forgotten: it is told again later, so the same
// thing must be told under the same identity.
type Teller interface {
	Judged(ctx context.Context, p record.Pass) error
	// Moved tells that a pass that people were told about has another verdict now.
	Moved(ctx context.Context, p record.Pass, was record.Verdict) error
	Unreadable(ctx context.Context, log Log, f File, why error) error
	Changed(ctx context.Context, p record.Pass, changes []record.Change) error
}

// Knowledge is what was known before the pass: where its tags come from and what is
// expected of it.
type Knowledge struct {
	Bench     string
	Templates []tag.Template
	Header    map[string]string // heading key of a log = tag name
	Fixed     map[string]string
	Order     []record.Origin   // rising trust; empty for the default
	Factors   []string          // the tags that make a cell
	Required  []string          // checks without which a pass is only unverified
	Must      map[string]string // what the reviewer asserts of the bench, see record.Violations

	// Plan returns the claims of the plan's position for a pass that ran then and of which
	// others say what is given; nil where there is no plan.
	Plan func(started, ended time.Time, others []record.Claim) []record.Claim
	// Hand returns tags that the reviewer set for a pass that started then; nil for none.
	Hand func(started time.Time) map[string]string
	// Aliases know the reviewer's own names for what machines report.
	Aliases tag.Aliases
	// Present is since when the bench is known to be as it is detected now. What is
	// detected says nothing certain about a pass that ended before: its claims become
	// record.FromLater, which every other source outranks and nothing contradicts.
	Present time.Time
	// Boot names the start of the machine after which a pass that began then was recorded;
	// "" where it is not known, as of one from before it. Nil where the machine cannot tell.
	Boot func(started time.Time) string
	// Expect says what is expected of a pass with these tags.
	Expect func(record.Tags) record.Expectation
	// Spread says how well passes like this one repeat, by metric, from earlier passes of
	// other cells; nil where nothing is known.
	Spread func(context.Context, record.Pass) (map[string]record.Spread, error)
	// Settle decides what depends on all passes of a cell: the findings of a pass, and of
	// those beside it to which it makes a difference; nil where nothing does.
	Settle func(ctx context.Context, p record.Pass, beside []record.Pass) (record.Pass, []record.Moved, error)
	// Keep replaces findings of the validators by stored ones that still hold, before the
	// verdict of a pass that was judged before is decided; nil where none hold.
	Keep func(context.Context, record.Evidence, []record.Finding) ([]record.Finding, error)
}

// ErrUnreadable says that a log gave no pass. People were told, once; trying again helps
// only when the log has changed.
var ErrUnreadable = errors.New("log cannot be read")

// ErrUnread says that a stored pass that is to be judged cannot be read.
var ErrUnread = errors.New("what is stored of the pass cannot be read")

// ErrNotNow says that the file of a log could not be opened or read at this moment, which
// says nothing about what it holds. Nobody was told; trying again later may help.
var ErrNotNow = errors.New("log cannot be read now")

// ErrGone says that a log was no longer there when it was to be read.
var ErrGone = errors.New("log is gone")

// Pipeline carries logs through the steps, one at a time.
type Pipeline struct {
	Reader Reader
	Bench  Bench
	Store  Store
	Checks Checker
	Tell   Teller
	Know   Knowledge
}

// Carry takes one complete log through all steps. The pass is returned as stored; new is
// false when the same bytes were ingested before. An unreadable log is [ErrUnreadable]
// after people were told about it, once; one that cannot be read at this moment is
// [ErrNotNow], one that is no longer there [ErrGone]. Any other error is the store's or that
// people could not be told.
func (p *Pipeline) Carry(ctx context.Context, log Log) (pass record.Pass, isNew bool, err error) {
	reading, file, err := p.Reader.ReadLog(ctx, log.Path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return record.Pass{}, false, fmt.Errorf("%w: %w", ErrGone, err)
	case framelog.OfTheMoment(err):
		return record.Pass{}, false, fmt.Errorf("%w: %w", ErrNotNow, err)
	case err != nil:
		return record.Pass{}, false, p.unreadable(ctx, log, file, err)
	}
	file.ID = log.FileID
	figures, err := metrics.Compute(reading.Frames)
	if err != nil {
		return record.Pass{}, false, p.unreadable(ctx, log, file, err)
	}
	a := p.assemble(ctx, log, reading, file, figures)
	saved, err := p.Store.Save(ctx, a)
	if err != nil {
		return record.Pass{}, false, fmt.Errorf("store the pass of %s: %w", log.Path, err)
	}
	a.Pass.ID, a.Pass.Revision = saved.ID, saved.Revision
	if !saved.Created {
		return a.Pass, false, nil
	}
	e := record.Evidence{Pass: a.Pass, Frames: a.Frames, Telemetry: a.Telemetry, System: a.System}
	pass, err = p.judge(ctx, e, "")
	return pass, true, err
}

// Resume takes up what a crash left between two steps and what is to be judged again, as
// long as there is any and more says so; nil is always. It goes on past a pass that cannot
// be finished and returns the first error, an [ErrUnread] only where there is no other.
func (p *Pipeline) Resume(ctx context.Context, more func() bool) (done int, err error) {
	var first error
	failed := map[string]bool{}
	for {
		list, err := p.Store.Unfinished(ctx)
		if err != nil {
			return done, fmt.Errorf("look for unfinished passes: %w", err)
		}
		list = slices.DeleteFunc(list, func(u Unfinished) bool { return failed[u.ID] })
		if len(list) == 0 {
			return done, first
		}
		for _, u := range list { // which may put later ones back
			if ctx.Err() != nil {
				return done, ctx.Err()
			}
			if more != nil && !more() {
				return done, first
			}
			if err := p.finish(ctx, u); err == nil {
				done++
				continue
			} else if failed[u.ID] = true; first == nil || errors.Is(first, ErrUnread) && !errors.Is(err, ErrUnread) {
				first = fmt.Errorf("finish pass %s: %w", u.ID, err)
			}
		}
	}
}

func (p *Pipeline) finish(ctx context.Context, u Unfinished) error {
	e, err := p.Store.Evidence(ctx, u.ID)
	switch {
	case err != nil:
		return fmt.Errorf("%w: %w", ErrUnread, err)
	case !u.Checked || len(e.Pass.Findings) == 0: // put back since it was listed
		_, err = p.judge(ctx, e, u.Was)
		return err
	case u.Was != "":
		return p.moved(ctx, e.Pass, u.Was)
	}
	return p.told(ctx, e.Pass, e.System)
}

// Examine checks a stored pass, as when it arrived, with what validators get beside it and
// decides its verdict. Nothing is stored and nobody is told.
func (p *Pipeline) Examine(ctx context.Context, e record.Evidence) (record.Pass, error) {
	judged := len(e.Pass.Findings) > 0
	e.Pass.Findings, e.Pass.Verdict, e.Pass.Overruled = nil, "", ""
	e, err := p.Complete(ctx, e)
	if err != nil {
		return e.Pass, err
	}
	findings := p.Checks.Check(ctx, e)
	if p.Know.Keep != nil && judged {
		if findings, err = p.Know.Keep(ctx, e, findings); err != nil {
			return e.Pass, fmt.Errorf("look for findings that still hold: %w", err)
		}
	}
	e.Pass.Findings = append(findings, p.Contradictions(e.Pass))
	if f, ok := assertions(e.Pass, e.System, p.Know.Must); ok {
		e.Pass.Findings = append(e.Pass.Findings, f)
	}
	// An agent that is being stopped must not store "validator was interrupted" as the
	// pass's findings: the pass stays received and is taken up at the next start.
	if ctx.Err() != nil {
		return e.Pass, ctx.Err()
	}
	e.Pass.Verdict = record.Judge(e.Pass.Findings, p.Know.Required)
	return e.Pass, nil
}

// Look examines a stored pass and works out what that means for the passes beside it.
// Nothing is stored and nobody is told. It is ErrMeanwhile where the pass has other tags or
// a later log than the evidence.
func (p *Pipeline) Look(ctx context.Context, e record.Evidence) (record.Examined, error) {
	pass, err := p.Examine(ctx, e)
	if err != nil {
		return record.Examined{Pass: pass}, err
	}
	if e.Pass.Overruled != "" {
		pass.Verdict, pass.Overruled = e.Pass.Verdict, e.Pass.Overruled // in force
	}
	return p.Settle(ctx, pass)
}

// Settle works out anew what depends on the passes beside a pass whose other findings
// stand. The verdict of the outcome is that by the findings, also where the reviewer set
// another one by hand.
func (p *Pipeline) Settle(ctx context.Context, pass record.Pass) (o record.Examined, err error) {
	o.Pass, o.Cell = pass, p.Know.Factors
	beside, mark, err := p.Store.Beside(ctx, pass, p.Know.Factors)
	if err != nil {
		return o, err
	}
	o.Mark = mark
	if p.Know.Settle != nil {
		if o.Pass, o.Others, err = p.Know.Settle(ctx, pass, beside); err != nil {
			return o, fmt.Errorf("compare pass %s with those beside it: %w", pass.ID, err)
		}
		o.Pass.Verdict = record.Judge(o.Pass.Findings, p.Know.Required)
	}
	return o, nil
}

// judge checks a stored pass, decides its verdict, stores both and tells; of one of which
// people know the verdict that it had, only where it is another one. What changes meanwhile,
// such as the tags, has it judged again.
func (p *Pipeline) judge(ctx context.Context, e record.Evidence, was record.Verdict) (record.Pass, error) {
	for {
		o, err := p.Look(ctx, e)
		if err == nil {
			err = p.Store.Settle(ctx, o)
		}
		if err == nil {
			return o.Pass, p.toldAll(ctx, o, e.System, was)
		}
		if !errors.Is(err, record.ErrMeanwhile) || ctx.Err() != nil {
			return o.Pass, fmt.Errorf("judge pass %s: %w", e.Pass.ID, err)
		}
		if e, err = p.Store.Evidence(ctx, e.Pass.ID); err != nil {
			return o.Pass, fmt.Errorf("read pass %s again: %w", o.Pass.ID, err)
		}
	}
}

// toldAll tells about a pass, then about those whose verdict it changed. Of which verdict
// people know, and whether another one is to be told, is the store's to say.
func (p *Pipeline) toldAll(ctx context.Context, o record.Examined, s record.System, was record.Verdict) error {
	changed := map[string]bool{}
	for _, m := range o.Others {
		changed[m.Pass.ID] = m.Pass.Verdict != m.Was
	}
	if was != "" {
		changed[o.Pass.ID] = o.Pass.Verdict != was
	} else if err := p.told(ctx, o.Pass, s); err != nil {
		return err
	}
	if !slices.Contains(slices.Collect(maps.Values(changed)), true) {
		return nil
	}
	list, err := p.Store.Unfinished(ctx)
	if err != nil {
		return fmt.Errorf("look for passes with another verdict: %w", err)
	}
	for _, u := range list {
		if u.Checked && changed[u.ID] {
			if err := p.finish(ctx, u); err != nil {
				return err
			}
		}
	}
	return nil
}

// moved tells about another verdict that is stored and notes that it did; one by hand needs
// no telling.
func (p *Pipeline) moved(ctx context.Context, pass record.Pass, was record.Verdict) error {
	if pass.Overruled == "" {
		if err := p.Tell.Moved(ctx, pass, was); err != nil {
			return fmt.Errorf("tell about the other verdict on pass %s: %w", pass.ID, err)
		}
	}
	if err := p.Store.MarkTold(ctx, pass.ID); err != nil {
		return fmt.Errorf("note that pass %s was told: %w", pass.ID, err)
	}
	return nil
}

// Complete adds to a stored pass's evidence what validators get beside it: what was
// expected, the earlier passes of its cell and how well comparable cells repeat. One whose
// tags name no cell has none.
func (p *Pipeline) Complete(ctx context.Context, e record.Evidence) (record.Evidence, error) {
	if p.Know.Expect != nil {
		e.Expected = p.Know.Expect(e.Pass.Tags)
	}
	if e.Pass.Tags.NamesCell() {
		// The same cell of another campaign is another cell.
		cell := e.Pass.Tags.Cell(p.Know.Factors)
		cell[record.TagCampaign] = e.Pass.Tags.Value(record.TagCampaign)
		var err error
		if e.Earlier, err = p.Store.Earlier(ctx, e.Pass, cell); err != nil {
			return e, fmt.Errorf("look for earlier passes of the cell: %w", err)
		}
		if p.Know.Spread != nil {
			if e.Spread, err = p.Know.Spread(ctx, e.Pass); err != nil {
				return e, fmt.Errorf("look for the spread of comparable cells: %w", err)
			}
		}
	}
	if e.Telemetry == nil && e.TelemetryWhy == "" {
		e.TelemetryWhy = "no samples cover the pass, since the agent was not running then"
	}
	return e, nil
}

// told tells people about a pass whose verdict is stored and notes that it did. A pass of
// which people could not be told stays checked and is told later.
func (p *Pipeline) told(ctx context.Context, pass record.Pass, s record.System) error {
	if err := p.tellChanges(ctx, pass, s); err != nil {
		return fmt.Errorf("tell that the bench of pass %s has changed: %w", pass.ID, err)
	}
	if err := p.Tell.Judged(ctx, pass); err != nil {
		return fmt.Errorf("tell about pass %s: %w", pass.ID, err)
	}
	if err := p.Store.MarkTold(ctx, pass.ID); err != nil {
		return fmt.Errorf("note that pass %s was told: %w", pass.ID, err)
	}
	return nil
}

func (p *Pipeline) unreadable(ctx context.Context, log Log, file File, why error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	known, err := p.Store.KnownBroken(ctx, file, log.Path, why)
	if err == nil && !known {
		if err = p.Tell.Unreadable(ctx, log, file, why); err != nil {
			return fmt.Errorf("tell that %s cannot be read (%v): %w", log.Path, why, err)
		}
		err = p.Store.RememberBroken(ctx, file, log.Path, why)
	}
	if err != nil {
		return fmt.Errorf("note that %s cannot be read (%v): %w", log.Path, why, err)
	}
	return fmt.Errorf("%w: %s: %w", ErrUnreadable, log.Path, why)
}

// tellChanges tells what is different from the bench of the pass before, unless nobody
// knows how the bench was during the pass.
func (p *Pipeline) tellChanges(ctx context.Context, pass record.Pass, now record.System) error {
	if pass.SystemLater() {
		return nil
	}
	last, ok, err := p.Store.LastSystem(ctx, pass)
	if err != nil {
		return fmt.Errorf("look for the bench of the pass before: %w", err)
	}
	if !ok || last.ID == now.ID {
		return nil
	}
	var changes []record.Change
	for _, c := range record.Diff(last, now) {
		if c.Old.Identity || c.New.Identity {
			changes = append(changes, c)
		}
	}
	if len(changes) == 0 {
		return nil
	}
	return p.Tell.Changed(ctx, pass, changes)
}

// assemble makes the pass from what was read: its times, tags, system and telemetry.
func (p *Pipeline) assemble(ctx context.Context, log Log, r record.Reading, f File, m record.Metrics) Arrival {
	started, ended := times(r, m, f.ModTime)
	if !(record.Pass{StartedAt: started, EndedAt: ended}).Dated() { // file systems hold times that are no dates
		started, ended = times(r, m, log.Notice)
	}
	system := p.Bench.System(ctx)
	tele, why := p.Bench.Telemetry(started, ended, r.Layout.Program)
	if why != nil {
		tele = nil
	}
	claims := p.claims(log, r, tele, system, started, ended)
	tags, _ := p.Know.Aliases.Resolve(claims, p.Know.Order)
	remarks := r.Remarks
	if _, note := tag.FromPath(p.Know.Templates, log.Rel); note != nil {
		remarks = append(remarks, record.Remark{Kind: record.RemarkPath, Text: note.Error()})
	}
	if log.Forced {
		remarks = append(remarks, record.Remark{Kind: record.RemarkHeldOpen,
			Text: "a program still held the log open, so the agent read it as it was"})
	}
	return Arrival{
		Pass: record.Pass{
			ID: record.PassID(f.SHA256), Bench: p.Know.Bench, Log: log.Path, SHA256: f.SHA256,
			StartedAt: started, EndedAt: ended, Tags: tags, System: system.ID, Metrics: m,
			Claims: claims, Layout: r.Layout, Remarks: remarks, LogAt: log.Notice.UTC(),
		},
		Frames: r.Frames, Telemetry: tele, System: system, File: f,
	}
}

// times says when the pass ran. A log that carries the wall clock and agrees with the
// file's own time to a day knows best; else the pass ended when the log was last
// written, which holds for loggers that write while they record and for those that write
// at the end.
func times(r record.Reading, m record.Metrics, modified time.Time) (started, ended time.Time) {
	length := time.Duration(m.DurationS * float64(time.Second))
	if r.EpochS > 0 {
		sec, frac := math.Modf(r.EpochS)
		started = time.Unix(int64(sec), int64(frac*1e9)).UTC()
		if d := modified.Sub(started); d > -24*time.Hour && d < 24*time.Hour {
			return started, started.Add(length)
		}
	}
	ended = modified.UTC()
	return ended.Add(-length), ended
}

func (p *Pipeline) claims(log Log, r record.Reading, tele *record.Telemetry, s record.System, started,
	ended time.Time) []record.Claim {
	claims := p.pathClaims(log)
	claims = append(claims, tag.FromHeader(r.Header, p.Know.Header)...)
	claims = append(claims, p.detected(r, tele, s, ended)...)
	claims = append(claims, tag.FromFixed(p.Know.Fixed)...)
	if p.Know.Boot != nil {
		if boot := p.Know.Boot(started); boot != "" {
			claims = append(claims, record.Claim{Name: record.TagBoot, Value: boot, From: record.FromDetected,
				Detail: "start of the machine"})
		}
	}
	if p.Know.Hand != nil {
		claims = append(claims, tag.FromHand(p.Know.Hand(started), "said before the pass")...)
	}
	if p.Know.Plan != nil { // ahead of the fixed tags, which rank with it
		claims = append(p.Know.Plan(started, ended, claims), claims...)
	}
	return claims
}

// detected makes claims from the bench and from the program that the log was recorded of,
// or else of the known game that worked while it was recorded.
func (p *Pipeline) detected(r record.Reading, tele *record.Telemetry, s record.System, ended time.Time) []record.Claim {
	claims := tag.FromSystem(s)
	if ended.Before(p.Know.Present) {
		for i := range claims {
			claims[i].From = record.FromLater
			claims[i].Detail = join(claims[i].Detail, "the pass ended before the agent started")
		}
	}
	program := r.Layout.Program
	if program == "" {
		program = p.busiestGame(tele)
	}
	if program != "" {
		game, _ := tag.FromProgram(program, p.Know.Aliases)
		claims = append(claims, game...)
	}
	return claims
}

// busiestGame returns the program, of those that an alias knows as a game's, that used the
// processor most; "" where there is none, or where another game's did half as much.
func (p *Pipeline) busiestGame(tele *record.Telemetry) string {
	if tele == nil {
		return ""
	}
	used, program := map[string]float64{}, map[string]string{}
	for _, u := range tele.Processes {
		claims, _ := tag.FromProgram(u.Name, p.Know.Aliases)
		if len(claims) == 0 {
			continue
		}
		game := claims[0].Value
		used[game] += u.Percent * u.To.Sub(u.From).Seconds()
		program[game] = u.Name
	}
	best, second := "", 0.0
	for game, s := range used {
		switch {
		case best == "" || s > used[best] || s == used[best] && game < best:
			if best != "" {
				second = max(second, used[best])
			}
			best = game
		default:
			second = max(second, s)
		}
	}
	if best == "" || second > used[best]/2 {
		return ""
	}
	return program[best]
}

// Contradictions is the finding about sources of tags that contradict each other, judged
// by what the pass's tags are now: what was said by hand settles the matter.
func (p *Pipeline) Contradictions(pass record.Pass) record.Finding {
	claims := slices.DeleteFunc(slices.Clone(pass.Claims), func(c record.Claim) bool { return c.From == record.FromLater })
	for name, t := range pass.Tags {
		if t.From == record.FromHand {
			claims = append(claims, record.Claim{Name: name, Value: t.Value, From: record.FromHand})
		}
	}
	_, found := p.Know.Aliases.Resolve(claims, p.Know.Order)
	f := tag.Finding(found)
	if why := unfiled(pass); why != "" && f.Outcome != record.Bad {
		f.Outcome, f.Reason = record.Doubtful, why+", so game and settings are unknown"
		f.Advice = "correct tags.paths in the configuration, or name game and settings by hand: capctl tag " + pass.ID +
			" game=..."
	}
	return f
}

// unfiled says why a pass belongs to no cell: templates are set and none fits its path,
// and no other source knows more than the bench itself. "" means it is filed, or that no
// templates are set.
func unfiled(pass record.Pass) string {
	for _, t := range pass.Tags {
		if t.From != record.FromDetected && t.From != record.FromLater {
			return ""
		}
	}
	for _, r := range pass.Remarks {
		if r.Kind == record.RemarkPath {
			return r.Text
		}
	}
	return ""
}

func (p *Pipeline) pathClaims(log Log) []record.Claim {
	// A path that no template matches makes no claim; one that reads two ways comes with
	// the claims that all readings share.
	claims, _ := tag.FromPath(p.Know.Templates, log.Rel)
	return claims
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}
