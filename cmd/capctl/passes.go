package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"capd.example/internal/results"
	"capd.example/internal/selection"
	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// passesCmd is `capctl passes`.
type passesCmd struct {
	JSON bool `name:"json" help:"One JSON object per line."`
	filterFlags
}

func (c *passesCmd) Run(a *app) error {
	passes, err := c.passes(a)
	if err != nil {
		return err
	}
	slices.SortStableFunc(passes, byTime)
	if c.JSON {
		var session map[string]string
		err := withStore(a, func(ctx context.Context, s selection.Reader) (err error) {
			session, err = sessionsOf(ctx, s, passes)
			return err
		})
		if err != nil {
			return err
		}
		for _, p := range passes {
			if err := output.JSON(a.stdout, sessionPass{p, session[p.ID]}); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(passes) == 0 {
		c.noPass(a)
		return nil
	}
	rows := make([]table.Row, 0, len(passes))
	for _, p := range passes {
		rows = append(rows, table.Row{p.ID, p.StartedAt.Local().Format(time.DateTime), nameOf(p), p.Tags.Value(record.TagPass),
			results.FPS(p.Metrics.AvgFPS), results.FPS(p.Metrics.Low1FPS), fmt.Sprintf("%.1f", p.Metrics.DurationS), p.Verdict, worst(p, a.config.Checks.Required)})
	}
	output.Table(a.stdout, table.Row{"id", "started", "cell", "pass", "avg FPS", "1% low", "s", "verdict", "why"}, rows)
	return nil
}

// byTime is the order of a list of passes: by the second in which they started, as it is
// shown. Those of one second, as where a folder of logs was copied, stand by cell, number
// and log.
func byTime(p, q record.Pass) int {
	number := func(p record.Pass) int {
		n, _ := strconv.Atoi(p.Tags.Value(record.TagPass))
		return n
	}
	if c := p.StartedAt.Truncate(time.Second).Compare(q.StartedAt.Truncate(time.Second)); c != 0 {
		return c
	}
	return cmp.Or(cmp.Compare(cellName(p.Tags), cellName(q.Tags)), cmp.Compare(number(p), number(q)), cmp.Compare(p.Log, q.Log), cmp.Compare(p.ID, q.ID))
}

// nameOf is the cell of a pass for people, and where nothing says what was recorded the
// log's name.
func nameOf(p record.Pass) string {
	for _, t := range p.Tags {
		if t.From != record.FromDetected && t.From != record.FromLater {
			return cellName(p.Tags)
		}
	}
	return cellName(p.Tags) + " (" + filepath.Base(p.Log) + ")"
}

// cellName names the cell of a pass for people: its factors in the usual order.
func cellName(tags record.Tags) string {
	var parts []string
	for _, f := range record.CellFactors {
		if v := tags.Value(f); v != "" {
			parts = append(parts, v)
		}
	}
	if len(parts) == 0 {
		return "(no tags)"
	}
	return strings.Join(parts, " / ")
}

// worst returns the reason behind a verdict that is not clean. Behind "unverified" stands
// a required check; that others had no input is no news.
func worst(p record.Pass, required []string) string {
	if p.Overruled != "" {
		return "set by hand: " + p.Overruled
	}
	want := map[record.Verdict]record.Outcome{record.VerdictBad: record.Bad, record.VerdictDoubtful: record.Doubtful, record.Unverified: record.NotChecked}[p.Verdict]
	for _, f := range p.Findings {
		if f.Outcome == want && (want != record.NotChecked || slices.Contains(required, f.Check)) {
			return f.Check + ": " + f.Reason
		}
	}
	if p.Verdict == record.Unverified {
		return "a required check is missing: " + strings.Join(required, ", ")
	}
	return ""
}

// showCmd is `capctl show`.
type showCmd struct {
	ID        string `arg:"" help:"Identity of the pass, or the beginning of it."`
	JSON      bool   `name:"json" help:"One JSON object."`
	Telemetry bool   `xor:"what" help:"Also sum up the samples taken while it ran: clocks, temperatures, loads, and who used the processor."`
	History   bool   `xor:"what" help:"Instead list how its verdict came about: every check, every verdict set by hand and taken back, by whom and why."`
}

// sessionPass is a line of `capctl passes --json`.
type sessionPass struct {
	record.Pass
	Session string `json:"session"` // which passes belong together, see record.Sessions
}

// sessionLookBack is how far before the first selected pass others are read to know its
// session; where its session may begin earlier, all are.
const sessionLookBack = 3 * 24 * time.Hour

// sessionsOf returns the sessions of selected passes by identity. Where a session begins
// depends on the passes before, selected or not.
func sessionsOf(ctx context.Context, s selection.Reader, passes []record.Pass) (map[string]string, error) {
	if len(passes) == 0 {
		return nil, nil
	}
	first, last := passes[0].StartedAt, passes[0].StartedAt
	benches := map[string]bool{}
	for _, p := range passes {
		benches[p.Bench] = true
		if p.StartedAt.Before(first) {
			first = p.StartedAt
		}
		if p.StartedAt.After(last) {
			last = p.StartedAt
		}
	}
	around := store.Filter{Since: first.Add(-sessionLookBack), Until: last.Add(time.Second)}
	if len(benches) == 1 {
		around.Bench = passes[0].Bench
	}
	all, err := s.Passes(ctx, around)
	if err == nil && anyOpenAt(around.Since, record.Sessions(all), passes) {
		around.Since = time.Time{}
		all, err = s.Passes(ctx, around)
	}
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
	}
	return record.SessionOf(all), nil
}

// anyOpenAt reports whether the session of one of the passes may have begun before a time
// from which on passes were read.
func anyOpenAt(since time.Time, sessions []record.Session, passes []record.Pass) bool {
	early := map[string]bool{}
	for _, x := range sessions {
		if x.Why != record.SessionTag && x.Began.Sub(since) <= record.SessionGap {
			for _, id := range x.Passes {
				early[id] = true
			}
		}
	}
	return slices.ContainsFunc(passes, func(p record.Pass) bool { return early[p.ID] })
}

// shownPass is a pass with what was asked for besides.
type shownPass struct {
	sessionPass
	Telemetry *telemetrySummary `json:"telemetry"` // null where no samples are stored
}

func (c *showCmd) Run(a *app) error {
	return withStore(a, func(ctx context.Context, s selection.Reader) error {
		p, err := s.Pass(ctx, c.ID)
		if err != nil {
			return selection.PassError(err)
		}
		if c.History {
			return c.history(a, s, p)
		}
		session, err := sessionsOf(ctx, s, []record.Pass{p})
		if err != nil {
			return err
		}
		line := sessionPass{p, session[p.ID]}
		var t *telemetrySummary
		if c.Telemetry {
			if t, err = telemetryOf(ctx, s, p.ID); err != nil {
				return err
			}
		}
		switch {
		case c.JSON && c.Telemetry:
			return output.JSON(a.stdout, shownPass{line, t})
		case c.JSON:
			return output.JSON(a.stdout, line)
		}
		showPass(a, line)
		if c.Telemetry {
			showTelemetry(a, t)
		}
		return nil
	})
}

// history lists the judgements of a pass, oldest first.
func (c *showCmd) history(a *app, r selection.Reader, p record.Pass) error {
	s, is := r.(*store.Store)
	if !is {
		return cli.UsageError(errors.New("--history needs the bench's own store: a lab keeps only the latest verdict"))
	}
	list, err := s.Judgements(a.ctx, p.ID)
	if err != nil {
		return cli.FailedError(err)
	}
	var rows []table.Row
	for _, j := range list {
		if c.JSON {
			if err := output.JSON(a.stdout, j); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		at, err := time.Parse(time.RFC3339, j.At)
		if err != nil {
			return cli.FailedError(fmt.Errorf("read when pass %s was judged: %w", p.ID, err))
		}
		why := j.Reason
		if j.Kind == "checked" || j.Kind == "rechecked" {
			found := worst(record.Pass{Verdict: j.Verdict, Findings: j.Findings}, a.config.Checks.Required)
			why = strings.Trim(why+"; "+found, "; ")
		}
		rows = append(rows, table.Row{at.Local().Format(time.DateTime), j.Kind, j.Verdict, j.Who, why})
	}
	if len(rows) > 0 {
		output.Table(a.stdout, table.Row{"when", "what", "verdict", "who", "why"}, rows)
	} else if len(list) == 0 {
		safe.Fprintf(a.stderr, "capctl: pass %s is not judged yet; the agent does that\n", p.ID)
	}
	return nil
}

func showPass(a *app, p sessionPass) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.stdout, "%-10s %s\n", name, fmt.Sprintf(format, args...))
	}
	out("pass", "%s on %s, revision %d", p.ID, p.Bench, p.Revision)
	out("log", "%s", p.Log)
	out("sha256", "%s", p.SHA256)
	out("ran", "%s to %s", p.StartedAt.Format(time.RFC3339), p.EndedAt.Format(time.RFC3339))
	out("system", "%s", p.System)
	out("session", "%s", p.Session)
	out("verdict", "%s", p.Verdict)
	if p.Overruled != "" {
		out("", "set by hand: %s", p.Overruled)
	}
	for _, name := range slices.Sorted(maps.Keys(p.Tags)) {
		out("tag", "%s = %s (%s)", name, p.Tags[name].Value, p.Tags[name].From)
	}
	m := p.Metrics
	out("figures", "%d frames in %.2f s, average %.2f FPS", m.Frames, m.DurationS, m.AvgFPS)
	out("", "1%% low %.2f FPS (slowest 1 %% of frames), 0.1%% low %.2f FPS, 1%% of time %.2f FPS", m.Low1FPS, m.Low01FPS, m.Low1TimeFPS)
	out("", "frame time median %.3f, p95 %.3f, p99 %.3f, p99.9 %.3f, longest %.3f ms; %s", m.MedianMS, m.P95MS, m.P99MS, m.P999MS, m.MaxMS, record.Count(m.Hitches, "hitch"))
	for _, r := range p.Remarks {
		out("remark", "%s: %s", r.Kind, r.Text)
	}
	for _, f := range p.Findings {
		out("finding", "%s: %s: %s", f.Check, f.Outcome, f.Reason)
		if f.Advice != "" && f.Outcome != record.OK {
			out("", "-> %s", a.carry(f.Advice))
		}
	}
}
