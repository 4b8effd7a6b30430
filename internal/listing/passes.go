package listing

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// fewCells is up to how many cells each is asked for by itself.
const fewCells = 20

// RepeatedSince returns the passes of a list that do not count and were recorded again, by
// identity, with the pass that counts. The later ones need not be in the list.
func RepeatedSince(ctx context.Context, s store.Reader, passes []record.Pass) (map[string]string, error) {
	var filters []store.Filter
	of := map[string]int{}
	for _, p := range passes {
		if p.Verdict == "" || p.Verdict == record.Clean || !p.Tags.NamesCell() || p.Tags.Value(record.TagPass) == "" {
			continue
		}
		cell := p.Tags.Cell(append(slices.Clone(record.CellFactors), record.TagCampaign))
		i, known := of[fmt.Sprint(cell)]
		if !known {
			i = len(filters)
			of[fmt.Sprint(cell)] = i
			filters = append(filters, store.Filter{Tags: cell, Verdicts: []record.Verdict{record.Clean}, Since: p.StartedAt})
		}
		if p.StartedAt.Before(filters[i].Since) {
			filters[i].Since = p.StartedAt
		}
	}
	if len(filters) > fewCells {
		all := store.Filter{Verdicts: []record.Verdict{record.Clean}, Since: filters[0].Since}
		for _, f := range filters {
			if f.Since.Before(all.Since) {
				all.Since = f.Since
			}
		}
		filters = []store.Filter{all}
	}
	known := slices.Clone(passes)
	for _, f := range filters {
		found, err := s.Passes(ctx, f)
		if err != nil {
			return nil, cli.FailedError(fmt.Errorf("read the passes: %w", err))
		}
		known = append(known, found...)
	}
	return record.Repeated(known, func(v record.Verdict) bool { return v == record.Clean }), nil
}

// PrintPasses lists passes; required checks explain a verdict that is not reached. Repeated names
// the passes that were recorded again, with those that count.
func PrintPasses(a *cli.Streams, passes []record.Pass, required []string, repeated map[string]string) {
	rows := make([]table.Row, 0, len(passes))
	for _, p := range passes {
		why := DecidedBy(p, required)
		if by := repeated[p.ID]; by != "" {
			why = strings.TrimPrefix(why+"; repeated since by "+by, "; ")
		}
		rows = append(rows, table.Row{p.ID, p.StartedAt.Local().Format(time.DateTime), NameOf(p),
			p.Tags.Value(record.TagPass),
			output.FPS(p.Metrics.AvgFPS), output.FPS(p.Metrics.Low1FPS), fmt.Sprintf("%.1f", p.Metrics.DurationS), p.Verdict, why})
	}
	output.Table(a.Out, table.Row{"id", "started", "cell", "pass", "avg FPS", "1% low", "s", "verdict", "why"}, rows)
}

// ByTime is the order of a list of passes: by the second in which they started, as it is
// shown. Those of one second, as where a folder of logs was copied, stand by cell, number
// and log.
func ByTime(p, q record.Pass) int {
	number := func(p record.Pass) int {
		n, _ := strconv.Atoi(p.Tags.Value(record.TagPass))
		return n
	}
	if c := p.StartedAt.Truncate(time.Second).Compare(q.StartedAt.Truncate(time.Second)); c != 0 {
		return c
	}
	return cmp.Or(cmp.Compare(CellName(p.Tags), CellName(q.Tags)), cmp.Compare(number(p), number(q)),
		cmp.Compare(p.Log, q.Log), cmp.Compare(p.ID, q.ID))
}

// NameOf is the cell of a pass for people, and where nothing says what was recorded the
// log's name.
func NameOf(p record.Pass) string {
	for _, t := range p.Tags {
		if t.From != record.FromDetected && t.From != record.FromLater {
			return CellName(p.Tags)
		}
	}
	return CellName(p.Tags) + " (" + filepath.Base(p.Log) + ")"
}

// CellName names the cell of a pass for people: its factors in the usual order.
func CellName(tags record.Tags) string {
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

// DecidedBy returns the reason behind a verdict that is not clean. Behind "unverified" stands
// a required check; that others had no input is no news.
func DecidedBy(p record.Pass, required []string) string {
	if p.Overruled != "" {
		return "set by hand: " + p.Overruled
	}
	want := map[record.Verdict]record.Outcome{record.VerdictBad: record.Bad, record.VerdictDoubtful: record.Doubtful,
		record.Unverified: record.NotChecked}[p.Verdict]
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

// SessionPass is a line of `capctl passes --json`.
type SessionPass struct {
	record.Pass
	Session string `json:"session"` // which passes belong together, see record.Sessions
}

// sessionLookBack is how far before the first selected pass others are read to know its
// session; where its session may begin earlier, all are.
const sessionLookBack = 3 * 24 * time.Hour

// SessionsOf returns the sessions of selected passes by identity. Where a session begins
// depends on the passes before, selected or not.
func SessionsOf(ctx context.Context, s store.Reader, passes []record.Pass) (map[string]string, error) {
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

// ShownPass is a pass with what was asked for besides.
type ShownPass struct {
	SessionPass
	Telemetry *Samples `json:"telemetry"` // null where no samples are stored
}

// PrintJudgements lists how the verdict of a pass came about.
func PrintJudgements(a *cli.Streams, id string, list []store.Judgement, required []string, asJSON bool) error {
	var rows []table.Row
	for _, j := range list {
		if asJSON {
			if err := output.JSON(a.Out, j); err != nil {
				return cli.FailedError(err)
			}
			continue
		}
		at, err := time.Parse(time.RFC3339, j.At)
		if err != nil {
			return cli.FailedError(fmt.Errorf("read when pass %s was judged: %w", id, err))
		}
		why := j.Reason
		if j.Kind == "checked" || j.Kind == "rechecked" {
			found := DecidedBy(record.Pass{Verdict: j.Verdict, Findings: j.Findings}, required)
			why = strings.Trim(why+"; "+found, "; ")
		}
		rows = append(rows, table.Row{at.Local().Format(time.DateTime), j.Kind, j.Verdict, j.Who, why})
	}
	if len(rows) > 0 {
		output.Table(a.Out, table.Row{"when", "what", "verdict", "who", "why"}, rows)
	} else if len(list) == 0 {
		safe.Fprintf(a.Err, "capctl: pass %s is not judged yet; the agent does that\n", id)
	}
	return nil
}

// ShowPass prints one pass with its tags, figures and findings.
func ShowPass(a *cli.Streams, p SessionPass) {
	out := func(name, format string, args ...any) {
		safe.Fprintf(a.Out, "%-10s %s\n", name, fmt.Sprintf(format, args...))
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
	out("", "1%% low %.2f FPS (slowest 1 %% of frames), 0.1%% low %.2f FPS, 1%% of time %.2f FPS", m.Low1FPS, m.Low01FPS,
		m.Low1TimeFPS)
	out("", "frame time median %.3f, p95 %.3f, p99 %.3f, p99.9 %.3f, longest %.3f ms; %s", m.MedianMS, m.P95MS, m.P99MS,
		m.P999MS, m.MaxMS, record.Count(m.Hitches, "hitch"))
	for _, r := range p.Remarks {
		out("remark", "%s: %s", r.Kind, r.Text)
	}
	for _, f := range p.Findings {
		out("finding", "%s: %s: %s", f.Check, f.Outcome, f.Reason)
		if f.Advice != "" && f.Outcome != record.OK {
			out("", "-> %s", a.Carry(f.Advice))
		}
	}
}
