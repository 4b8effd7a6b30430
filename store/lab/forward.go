package lab

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"capd.example/store"
)

// batch is what goes to the lab in one transaction: parcels of one bench, and how it
// stands with that bench after them.
type batch struct {
	bench, store, owner string // owner "" where the bench has no login
	list                []store.Parcel
	mark                int64 // of the bench's store: all up to here is in the lab
	backlog             int
	at                  time.Time // by the bench's clock
	campaign            string
	open                int
}

// put stores a batch; a pass that is there is replaced by what is sent.
func (l *Lab) put(ctx context.Context, b batch) error {
	c, err := columnsOf(b.list)
	if err != nil {
		return l.wrap(err, "send passes")
	}
	var owner *string
	if b.owner != "" {
		owner = &b.owner
	}
	err = l.transact(ctx, limited, func(tx pgx.Tx) error {
		// What takes long on the way comes first, what others may wait for last.
		for _, step := range []struct {
			text string
			args []any
		}{{putPasses, c.passes}, {putArchives, c.archives}, {putSystems, c.systems}, {putFirsts, c.firsts}} {
			if len(b.list) == 0 {
				break
			}
			if _, err := tx.Exec(ctx, step.text, append([]any{b.bench, owner}, step.args...)...); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, putBench, b.bench, owner, b.store, b.at, b.backlog, b.mark, plain(b.campaign), b.open)
		return err
	})
	if codeOf(err) == "42501" {
		err = fmt.Errorf("rows of bench %q are not this login's: run `capctl lab assign LOGIN BENCH`, once more where it has run before: %w",
			b.bench, err)
	}
	return l.wrap(err, "send passes")
}

// Arrays of types that every engine of the protocol takes as an argument; what has no such
// type is cast row by row.
const (
	putSystems = `INSERT INTO capd.systems (bench, owner, id, fields) SELECT $1::text, $2::text, * FROM unnest($3::text[], $4::bytea[])
		ON CONFLICT (bench, id) DO NOTHING`

	putFirsts = `INSERT INTO capd.firsts (bench, owner, id) SELECT $1::text, $2::text, * FROM unnest($3::text[]) ON CONFLICT (id) DO NOTHING`

	putPasses = `INSERT INTO capd.passes (bench, owner, id, sha256, verdict, overruled, campaign, cpu, gpu, game, scene, resolution, preset,
			system, at, revision, frames, avg_fps, low1_fps, p99_ms, tags, doc)
		SELECT $1::text, $2::text, t.id, t.sha256, t.verdict, t.overruled, t.campaign, t.cpu, t.gpu, t.game, t.scene, t.resolution, t.preset,
			t.system, t.at, t.revision, t.frames, t.avg_fps, t.low1_fps, t.p99_ms, t.tags::jsonb, t.doc
		FROM unnest($3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::text[], $10::text[], $11::text[], $12::text[],
			$13::text[], $14::text[], $15::timestamptz[], $16::bigint[], $17::bigint[], $18::float8[], $19::float8[], $20::float8[],
			$21::text[], $22::bytea[])
			AS t (id, sha256, verdict, overruled, campaign, cpu, gpu, game, scene, resolution, preset, system, at, revision, frames,
			avg_fps, low1_fps, p99_ms, tags, doc)
		ON CONFLICT (bench, id) DO UPDATE SET sha256 = excluded.sha256, at = excluded.at, revision = excluded.revision, verdict = excluded.verdict,
			overruled = excluded.overruled, campaign = excluded.campaign, cpu = excluded.cpu, gpu = excluded.gpu, game = excluded.game,
			scene = excluded.scene, resolution = excluded.resolution, preset = excluded.preset, system = excluded.system, frames = excluded.frames,
			avg_fps = excluded.avg_fps, low1_fps = excluded.low1_fps, p99_ms = excluded.p99_ms, tags = excluded.tags, doc = excluded.doc`

	// A bench that dropped its samples to save space does not take them from the lab.
	putArchives = `INSERT INTO capd.archives AS a (bench, owner, id, frames, telemetry)
		SELECT $1::text, $2::text, * FROM unnest($3::text[], $4::bytea[], $5::bytea[])
		ON CONFLICT (bench, id) DO UPDATE SET frames = excluded.frames,
			telemetry = CASE WHEN a.frames = excluded.frames THEN coalesce(excluded.telemetry, a.telemetry) ELSE excluded.telemetry END`

	putBench = `INSERT INTO capd.benches (bench, owner, store, seen_at, bench_at, backlog, mark, campaign, open)
		VALUES ($1, $2, $3, now(), $4, $5, $6, $7, $8)
		ON CONFLICT (bench, store) DO UPDATE SET seen_at = excluded.seen_at, bench_at = excluded.bench_at, backlog = excluded.backlog,
			mark = excluded.mark, campaign = excluded.campaign, open = excluded.open`
)

// columns are parcels turned into one array per column.
type columns struct{ systems, firsts, passes, archives []any }

func columnsOf(list []store.Parcel) (columns, error) {
	n := len(list)
	texts := [12][]string{}
	for i := range texts {
		texts[i] = make([]string, n)
	}
	at := make([]time.Time, n)
	counts := [2][]int64{make([]int64, n), make([]int64, n)}
	figures := [3][]float64{make([]float64, n), make([]float64, n), make([]float64, n)}
	tags, docs, blobs, samples := make([]string, n), make([][]byte, n), make([][]byte, n), make([][]byte, n)
	var ids []string
	var fields [][]byte
	known := map[string]bool{}
	for i, x := range list {
		p, r := x.Pass, rowOf(x.Pass)
		doc, err := json.Marshal(p)
		if err != nil {
			return columns{}, fmt.Errorf("pass %s: %w", p.ID, err)
		}
		tagText, err := json.Marshal(r.tags)
		if err != nil {
			return columns{}, fmt.Errorf("pass %s: %w", p.ID, err)
		}
		for k := range texts {
			texts[k][i] = r.texts[k]
		}
		for k := range counts {
			counts[k][i] = r.counts[k]
		}
		for k := range figures {
			figures[k][i] = r.figures[k]
		}
		at[i], tags[i], docs[i], blobs[i], samples[i] = r.at, string(tagText), doc, x.Frames, x.Telemetry
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
	passes := make([]any, 0, 20)
	for _, x := range texts {
		passes = append(passes, x)
	}
	passes = append(passes, at, counts[0], counts[1], figures[0], figures[1], figures[2], tags, docs)
	// In one order, so that benches that send the same logs do not wait for each other in a circle.
	first := slices.Sorted(slices.Values(texts[0]))
	return columns{systems: []any{ids, fields}, firsts: []any{first}, passes: passes,
		archives: []any{texts[0], blobs, samples}}, nil
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

	// Campaign returns the campaign in force, "" for none, and how many passes it still wants;
	// nil where nobody knows.
	Campaign func() (name string, open int)

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
	l, owner, err := f.open(ctx)
	if err != nil {
		return 0, err
	}
	defer l.Close()
	b := batch{bench: f.Bench, owner: owner}
	if b.store, err = f.storeName(ctx); err != nil {
		return 0, err
	}
	key := "lab mark " + l.name
	if b.mark, err = f.mark(ctx, l, key, b.store); err != nil {
		return 0, err
	}
	if f.Campaign != nil {
		b.campaign, b.open = f.Campaign()
	}
	size := f.Batch
	if size <= 0 {
		size = 100
	}
	for !f.quiet() {
		if b.list, b.mark, b.backlog, err = f.Store.Changes(ctx, f.Bench, b.mark, size); err != nil {
			return sent, err
		}
		if err := f.put(ctx, l, b); err != nil {
			return sent, err
		}
		if len(b.list) == 0 {
			return sent, nil
		}
		// A crash between these two lines sends the batch again, which changes nothing.
		if err := f.Store.SetSetting(ctx, key, strconv.FormatInt(b.mark, 10)); err != nil {
			return sent, err
		}
		sent += len(b.list)
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

// open connects and returns whom the rows will belong to: the login where it is tied to
// this bench, the bench's own where it is tied to none, as that of the owner of the tables,
// and "" where the bench has none either.
func (f *Forwarder) open(ctx context.Context) (l *Lab, owner string, err error) {
	ctx, cancel := f.limited(ctx)
	defer cancel()
	if l, err = Open(ctx, f.Address); err != nil {
		return nil, "", err
	}
	err = l.read(ctx, "send passes", func(tx pgx.Tx) error {
		var bench string
		err := tx.QueryRow(ctx, `SELECT role, bench FROM capd.members WHERE role = current_user OR bench = $1
			ORDER BY role <> current_user, role LIMIT 1`, f.Bench).Scan(&owner, &bench)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return nil
		case err == nil && bench != f.Bench:
			return fmt.Errorf("%w: %q is the login of bench %q, and this is %q: correct the login in lab.address, or bench in the configuration",
				ErrRefused, owner, bench, f.Bench)
		}
		return err
	})
	if err != nil {
		l.Close()
		return nil, "", err
	}
	return l, owner, nil
}

func (f *Forwarder) put(ctx context.Context, l *Lab, b batch) error {
	ctx, cancel := f.limited(ctx)
	defer cancel()
	b.at = f.now()
	return l.put(ctx, b)
}

// storeName returns what tells the bench's store from every other.
func (f *Forwarder) storeName(ctx context.Context) (string, error) {
	const key = "lab store"
	name, is, err := f.Store.Setting(ctx, key)
	if err == nil && !is {
		name = rand.Text()
		err = f.Store.SetSetting(ctx, key, name)
	}
	return name, err
}

// mark returns up to where the lab has what this store holds: what the store remembers, or
// less where the lab does, as one that was made anew or comes from a backup or from a
// standby that had not heard of the last batches. Sending something again does no harm.
func (f *Forwarder) mark(ctx context.Context, l *Lab, key, name string) (int64, error) {
	text, is, err := f.Store.Setting(ctx, key)
	if err != nil {
		return 0, err
	}
	here, err := strconv.ParseInt(text, 10, 64)
	if !is || err != nil {
		return 0, nil
	}
	ctx, cancel := f.limited(ctx)
	defer cancel()
	var there int64
	err = l.read(ctx, "send passes", func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `SELECT mark FROM capd.benches WHERE bench = $1 AND store = $2`, f.Bench, name).Scan(&there)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		return err
	})
	return min(here, there), err
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
