package lab

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// Put stores parcels of one bench in one transaction; a pass that is there is replaced by
// what is sent. The bench's clock and how much it still has to send are noted beside.
func (l *Lab) Put(ctx context.Context, bench string, list []store.Parcel, benchTime time.Time, backlog int) error {
	c, err := columnsOf(list)
	if err != nil {
		return l.wrap(err, "send passes")
	}
	err = l.transact(ctx, func(tx pgx.Tx) error {
		if len(list) > 0 {
			for _, step := range []struct {
				text string
				args []any
			}{{putSystems, c.systems}, {putPasses, append([]any{bench}, c.passes...)},
				{putArchives, append([]any{bench}, c.archives...)}} {
				if _, err := tx.Exec(ctx, step.text, step.args...); err != nil {
					return err
				}
			}
		}
		_, err := tx.Exec(ctx, `INSERT INTO capd.benches (name, seen_at, bench_at, backlog) VALUES ($1, now(), $2, $3)
			ON CONFLICT (name) DO UPDATE SET seen_at = excluded.seen_at, bench_at = excluded.bench_at, backlog = excluded.backlog`, bench, benchTime, backlog)
		return err
	})
	return l.wrap(err, "send passes")
}

const (
	putSystems = `INSERT INTO capd.systems (id, fields) SELECT * FROM unnest($1::text[], $2::bytea[]) ON CONFLICT (id) DO NOTHING`

	putPasses = `INSERT INTO capd.passes (bench, id, sha256, at, revision, verdict, overruled, campaign, cpu, gpu, game, scene, resolution, preset,
			system, frames, avg_fps, low1_fps, p99_ms, tags, doc)
		SELECT $1, * FROM unnest($2::text[], $3::text[], $4::timestamptz[], $5::int[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[],
			$11::text[], $12::text[], $13::text[], $14::text[], $15::text[], $16::int[], $17::float8[], $18::float8[], $19::float8[], $20::jsonb[], $21::bytea[])
		ON CONFLICT (bench, id) DO UPDATE SET sha256 = excluded.sha256, at = excluded.at, revision = excluded.revision, verdict = excluded.verdict,
			overruled = excluded.overruled, campaign = excluded.campaign, cpu = excluded.cpu, gpu = excluded.gpu, game = excluded.game,
			scene = excluded.scene, resolution = excluded.resolution, preset = excluded.preset, system = excluded.system, frames = excluded.frames,
			avg_fps = excluded.avg_fps, low1_fps = excluded.low1_fps, p99_ms = excluded.p99_ms, tags = excluded.tags, doc = excluded.doc`

	// A bench that dropped its samples to save space does not take them from the lab.
	putArchives = `INSERT INTO capd.archives AS a (bench, id, frames, telemetry) SELECT $1, * FROM unnest($2::text[], $3::bytea[], $4::bytea[])
		ON CONFLICT (bench, id) DO UPDATE SET frames = excluded.frames,
			telemetry = CASE WHEN a.frames = excluded.frames THEN coalesce(excluded.telemetry, a.telemetry) ELSE excluded.telemetry END`
)

// columns are parcels turned into one array per column.
type columns struct{ systems, passes, archives []any }

func columnsOf(list []store.Parcel) (columns, error) {
	n := len(list)
	text := make([][]string, 14)
	for i := range text {
		text[i] = make([]string, n)
	}
	at := make([]time.Time, n)
	revision, frames := make([]int32, n), make([]int32, n)
	avg, low, p99 := make([]float64, n), make([]float64, n), make([]float64, n)
	tags, docs, blobs, samples := make([]string, n), make([][]byte, n), make([][]byte, n), make([][]byte, n)
	var ids []string
	var fields [][]byte
	known := map[string]bool{}
	for i, x := range list {
		p := x.Pass
		doc, err := json.Marshal(p)
		if err != nil {
			return columns{}, fmt.Errorf("pass %s: %w", p.ID, err)
		}
		flat := map[string]string{}
		for name, t := range p.Tags {
			flat[plain(name)] = plain(t.Value)
		}
		tagText, err := json.Marshal(flat)
		if err != nil {
			return columns{}, fmt.Errorf("pass %s: %w", p.ID, err)
		}
		v := p.Tags.Value
		for k, s := range []string{p.ID, p.SHA256, string(p.Verdict), p.Overruled, v(record.TagCampaign),
			v(record.TagProcessor), v(record.TagGraphics),
			v(record.TagGame), v(record.TagScene), v(record.TagResolution), v(record.TagPreset), p.System} {
			text[k][i] = plain(s)
		}
		at[i], revision[i], frames[i] = orderTime(p), int32(p.Revision), int32(p.Metrics.Frames)
		avg[i], low[i], p99[i] = p.Metrics.AvgFPS, p.Metrics.Low1FPS, p.Metrics.P99MS
		tags[i], docs[i], blobs[i], samples[i] = string(tagText), doc, x.Frames, x.Telemetry
		if x.System.ID == "" || known[x.System.ID] {
			continue
		}
		known[x.System.ID] = true
		f, err := json.Marshal(x.System.Fields)
		if err != nil {
			return columns{}, fmt.Errorf("system %s: %w", x.System.ID, err)
		}
		ids, fields = append(ids, x.System.ID), append(fields, f)
	}
	return columns{
		systems: []any{ids, fields},
		passes: []any{text[0], text[1], at, revision, text[2], text[3], text[4], text[5], text[6], text[7], text[8], text[9],
			text[10], text[11],
			frames, avg, low, p99, tags, docs},
		archives: []any{text[0], blobs, samples},
	}, nil
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
// own JSON keeps what was there.
func plain(s string) string {
	return strings.ReplaceAll(text.Valid(s), "\x00", "\ufffd")
}

// Forwarder sends the passes of one bench to the lab.
type Forwarder struct {
	Store   *store.Store
	Bench   string
	Address string // postgres://...
	Batch   int    // passes per transaction; 0 means 100

	// Patience is how long the connecting and each batch may take before the network
	// counts as dead; 0 means 90 s.
	Patience time.Duration

	// Quiet reports whether nothing may be sent now because a pass runs; nil for never.
	Quiet func() bool
	// Now is the bench's clock; nil for the real one.
	Now func() time.Time
}

// Forward sends everything that has changed since the last time and returns how many
// passes were sent. It stops between two batches with [ErrQuiet] when Quiet says so.
// After an error the next call goes on where the last whole batch ended.
func (f *Forwarder) Forward(ctx context.Context) (sent int, err error) {
	if f.quiet() {
		return 0, ErrQuiet
	}
	l, err := f.open(ctx)
	if err != nil {
		return 0, err
	}
	defer l.Close()
	key := "lab mark " + l.name
	mark, err := f.mark(ctx, key)
	if err != nil {
		return 0, err
	}
	batch := f.Batch
	if batch <= 0 {
		batch = 100
	}
	for !f.quiet() {
		list, next, left, err := f.Store.Changes(ctx, f.Bench, mark, batch)
		if err != nil {
			return sent, err
		}
		if err := f.put(ctx, l, list, left); err != nil {
			return sent, err
		}
		if len(list) == 0 {
			return sent, nil
		}
		// A crash between these two lines sends the batch again, which changes nothing.
		if err := f.Store.SetSetting(ctx, key, strconv.FormatInt(next, 10)); err != nil {
			return sent, err
		}
		sent, mark = sent+len(list), next
	}
	return sent, ErrQuiet
}

// limited gives ctx the forwarder's patience.
func (f *Forwarder) limited(ctx context.Context) (context.Context, context.CancelFunc) {
	patience := f.Patience
	if patience <= 0 {
		patience = 90 * time.Second
	}
	return context.WithTimeout(ctx, patience)
}

func (f *Forwarder) open(ctx context.Context) (*Lab, error) {
	ctx, cancel := f.limited(ctx)
	defer cancel()
	l, err := Open(ctx, f.Address)
	if err != nil {
		return nil, err
	}
	if err := l.check(ctx); err != nil {
		l.Close()
		return nil, l.wrap(err, "send passes")
	}
	return l, nil
}

func (f *Forwarder) put(ctx context.Context, l *Lab, list []store.Parcel, left int) error {
	ctx, cancel := f.limited(ctx)
	defer cancel()
	return l.Put(ctx, f.Bench, list, f.now(), left)
}

func (f *Forwarder) mark(ctx context.Context, key string) (int64, error) {
	text, ok, err := f.Store.Setting(ctx, key)
	if err != nil || !ok {
		return 0, err
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return 0, nil // sending everything again does no harm
	}
	return n, nil
}

func (f *Forwarder) quiet() bool { return f.Quiet != nil && f.Quiet() }

func (f *Forwarder) now() time.Time {
	if f.Now != nil {
		return f.Now().UTC()
	}
	return time.Now().UTC()
}

// Run forwards at every wake until ctx ends. After a failure it also tries again by
// itself, after 5 s at first and doubling to 10 min; while Quiet says so it asks again
// every 5 s. Report gets every other outcome.
func (f *Forwarder) Run(ctx context.Context, wake <-chan struct{}, report func(sent int, err error)) {
	const first, last = 5 * time.Second, 10 * time.Minute
	wait := first
	var retry <-chan time.Time
	for {
		select {
		case <-ctx.Done():
			return
		case <-wake:
		case <-retry:
		}
		sent, err := f.Forward(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case errors.Is(err, ErrQuiet):
			retry = time.After(first)
			continue
		}
		report(sent, err)
		if err == nil {
			wait, retry = first, nil
			continue
		}
		retry = time.After(wait)
		wait = min(2*wait, last)
	}
}
