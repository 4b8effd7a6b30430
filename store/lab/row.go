package lab

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgtype"

	"capd.example/internal/text"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/internal/tables"
)

// row is what the columns of a pass hold: what readers filter by, all worked out from the
// pass itself, so that a row can be held against what it says.
type row struct {
	texts   [12]string // in the order of textColumns
	at      time.Time
	counts  [2]int64   // revision, frames
	figures [3]float64 // in the order of figureColumns
	tags    map[string]string
}

var (
	textColumns = [12]string{"id", "sha256", "verdict", "overruled", "campaign", "cpu", "gpu", "game", "scene",
		"resolution", "preset", "system"}
	figureColumns = [3]string{"avg_fps", "low1_fps", "p99_ms"}
)

func rowOf(p record.Pass) row {
	v := p.Tags.Value
	r := row{
		texts: [12]string{p.ID, p.SHA256, string(p.Verdict), p.Overruled, v(record.TagCampaign), v(record.TagProcessor),
			v(record.TagGraphics), v(record.TagGame), v(record.TagScene), v(record.TagResolution), v(record.TagPreset),
			p.System},
		at:      orderTime(p),
		counts:  [2]int64{int64(p.Revision), int64(p.Metrics.Frames)},
		figures: [3]float64{p.Metrics.AvgFPS, p.Metrics.Low1FPS, p.Metrics.P99MS},
		tags:    map[string]string{},
	}
	for i := range r.texts {
		r.texts[i] = plain(r.texts[i])
	}
	for name, t := range p.Tags {
		r.tags[plain(name)] = plain(t.Value)
	}
	return r
}

// differs names the first column in which two rows are not alike, "" where they are.
func (r row) differs(o row) string {
	for i, name := range textColumns {
		if r.texts[i] != o.texts[i] {
			return fmt.Sprintf("%s %.40q, not %.40q", name, o.texts[i], r.texts[i])
		}
	}
	switch {
	case r.at.Sub(o.at).Abs() > time.Microsecond: // what the database rounds to
		return fmt.Sprintf("at %s, not %s", o.at.Format(time.RFC3339), r.at.Format(time.RFC3339))
	case r.counts[0] != o.counts[0]:
		return fmt.Sprintf("revision %d, not %d", o.counts[0], r.counts[0])
	case r.counts[1] != o.counts[1]:
		return fmt.Sprintf("frames %d, not %d", o.counts[1], r.counts[1])
	}
	for i, name := range figureColumns {
		if r.figures[i] != o.figures[i] {
			return fmt.Sprintf("%s %.6g, not %.6g", name, o.figures[i], r.figures[i])
		}
	}
	for _, name := range slices.Sorted(maps.Keys(r.tags)) {
		if value, is := o.tags[name]; !is || value != r.tags[name] {
			return fmt.Sprintf("tag %.40s %.40q, not %.40q", name, value, r.tags[name])
		}
	}
	if len(r.tags) != len(o.tags) {
		return "other tags"
	}
	return ""
}

func orderTime(p record.Pass) time.Time {
	for _, t := range []time.Time{p.StartedAt, p.EndedAt, p.LogAt} {
		if !t.IsZero() {
			return t.UTC()
		}
	}
	return time.Unix(0, 0).UTC()
}

// plain makes a text that the database can hold: no zero bytes, valid UTF-8. The pass's
// own JSON keeps zero bytes, and has one sign for each byte that is no UTF-8, as this.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r == 0 {
			return text.Odd
		}
		return r // [text.Odd] for each byte that is none
	}, s)
}

// stored is a row as it was read. Nobody vouches for it: an agent's login may have written
// anything into the rows of its own bench.
type stored struct {
	bench  string
	row    row
	at     pgtype.Timestamptz // may be no time of this world
	tags   []byte             // JSON
	doc    []byte             // nil where it is too large
	frames []byte             // nil where there are none, or too large
}

// isTime reports whether a column holds a time: it may hold infinity.
func isTime(t pgtype.Timestamptz) bool { return t.Valid && t.InfinityModifier == pgtype.Finite }

// What a row may hold in bytes, well over what any pass needs.
const maxDoc, maxFrames = 16 << 20, 64 << 20

// storedColumns are what [stored.targets] takes, of passes p and archives a; %s is where the
// frame times come from.
var storedColumns = "p.bench, p." + strings.Join(textColumns[:], ", p.") + ", p.at, p.revision, p.frames, p." +
	strings.Join(figureColumns[:], ", p.") + fmt.Sprintf(`, CASE WHEN octet_length(p.tags::text) <= %[1]d THEN p.tags::text END,
	CASE WHEN octet_length(p.doc) <= %[1]d THEN p.doc END, CASE WHEN octet_length(%%[1]s) <= %[2]d THEN %%[1]s END`, maxDoc, maxFrames)

func (s *stored) targets() []any {
	to := []any{&s.bench}
	for i := range s.row.texts {
		to = append(to, &s.row.texts[i])
	}
	to = append(to, &s.at, &s.row.counts[0], &s.row.counts[1])
	for i := range s.row.figures {
		to = append(to, &s.row.figures[i])
	}
	return append(to, &s.tags, &s.doc, &s.frames)
}

// arrival returns the pass that a row holds, with its frame times, or says why the row is
// none: its document must be that of its key and its columns, its identity that of its hash,
// its figures those of its frame times. Figures are not computed where asSent says so.
func (s *stored) arrival(asSent bool) (a store.Arrival, err error) {
	if s.doc == nil || s.tags == nil {
		return a, fmt.Errorf("its document has more than %d bytes", maxDoc)
	}
	if err := json.Unmarshal(s.doc, &a.Pass); err != nil {
		return a, fmt.Errorf("its document cannot be read: %w", err)
	}
	p := a.Pass
	if plain(p.Bench) != s.bench {
		return a, fmt.Errorf("its document says bench %.40q", p.Bench)
	}
	if err := a.Check(); err != nil {
		return a, err
	}
	if err := json.Unmarshal(s.tags, &s.row.tags); err != nil || !isTime(s.at) {
		return a, fmt.Errorf("its time is none, or its tags are not names with values")
	}
	s.row.at = s.at.Time.UTC()
	if d := rowOf(p).differs(s.row); d != "" {
		return a, fmt.Errorf("its columns are not those of its document: %s", d)
	}
	if asSent {
		return a, nil
	}
	if s.frames == nil {
		return a, fmt.Errorf("it has no frame times, or more than %d bytes of them", maxFrames)
	}
	if a.Frames, err = tables.DecodeFrames(s.frames); err != nil {
		return a, err
	}
	if err := a.Check(); err != nil {
		return a, err
	}
	m, err := metrics.Compute(a.Frames)
	if err != nil {
		return a, fmt.Errorf("its frame times give no figures: %w", err)
	}
	if d := metrics.Differ(p.Metrics, m); d != "" {
		return a, fmt.Errorf("its figures are not those of its frame times: %s", d)
	}
	return a, nil
}

// systemOf reads what a bench says of a system and holds it against the identity.
func systemOf(id string, fields []byte) (record.System, error) {
	s := record.System{ID: id}
	if len(fields) > maxDoc {
		return s, fmt.Errorf("what it says of system %.40q has more than %d bytes", id, maxDoc)
	}
	if err := json.Unmarshal(fields, &s.Fields); err != nil {
		return s, fmt.Errorf("what it says of system %.40q cannot be read: %w", id, err)
	}
	if s.Identity() != id {
		return s, fmt.Errorf("what it says of system %.40q does not give that identity", id)
	}
	return s, nil
}

// contrast says in what two copies of one pass differ that makes a difference to answers,
// "" where in nothing: b beside a.
func contrast(a, b store.Arrival) string {
	var out []string
	if !slices.Equal(a.Frames.MS, b.Frames.MS) {
		out = append(out, fmt.Sprintf("frame times (average %.1f FPS, not %.1f)", b.Pass.Metrics.AvgFPS, a.Pass.Metrics.AvgFPS))
	} else if d := metrics.Differ(b.Pass.Metrics, a.Pass.Metrics); d != "" {
		out = append(out, "figures")
	}
	if a.Pass.Verdict != b.Pass.Verdict || a.Pass.Overruled != b.Pass.Overruled {
		out = append(out, fmt.Sprintf("verdict (%s, not %s)", b.Pass.Verdict, a.Pass.Verdict))
	}
	ta, tb := rowOf(a.Pass).tags, rowOf(b.Pass).tags
	var names []string
	for name := range ta {
		if tb[name] != ta[name] {
			names = append(names, name)
		}
	}
	for name := range tb {
		if _, both := ta[name]; !both {
			names = append(names, name)
		}
	}
	if slices.Sort(names); len(names) > 0 {
		out = append(out, "tags "+strings.Join(names, ", "))
	}
	if a.Pass.System != b.Pass.System {
		out = append(out, "system")
	}
	return strings.Join(out, "; ")
}
