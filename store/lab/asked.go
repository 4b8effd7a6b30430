package lab

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/internal/tables"
)

// atOnce is how many passes are asked for in one statement: their frame times and samples are
// held at once.
const atOnce = 100

// Telemetries calls fn for each of these passes with what [Lab.Telemetry] says of it, asking for
// many at once. A damaged pass has its own error and the others go on.
func (l *Lab) Telemetries(ctx context.Context, ids []string,
	fn func(id string, t *record.Telemetry, err error) error) error {
	return l.ask(ctx, "read telemetry", ids, func(id string, x asked) error { return fn(id, x.Telemetry, x.why) })
}

// Wholes calls fn for each of these passes with what [Lab.Whole] says of it, asking for many at
// once.
func (l *Lab) Wholes(ctx context.Context, ids []string, fn func(a store.Arrival) error) error {
	return l.ask(ctx, "read passes", ids, func(id string, x asked) error {
		if x.why != nil {
			return fmt.Errorf("read pass %s: %w", id, x.why)
		}
		return fn(x.Arrival)
	})
}

// asked is a pass that was asked for beside others, or why it cannot be had.
type asked struct {
	store.Arrival
	why error
}

func (l *Lab) ask(ctx context.Context, doing string, ids []string, fn func(id string, x asked) error) error {
	for chunk := range slices.Chunk(ids, atOnce) {
		var found map[string]asked
		err := l.read(ctx, doing, func(tx pgx.Tx) (err error) {
			found, err = l.chunk(ctx, tx, chunk)
			return err
		})
		if err != nil {
			return err
		}
		for _, id := range chunk {
			if err := fn(id, found[id]); err != nil {
				return err
			}
		}
	}
	return nil
}

// chunk reads passes by their whole identities, each as the bench has it that stands for all.
func (l *Lab) chunk(ctx context.Context, tx pgx.Tx, ids []string) (map[string]asked, error) {
	copies, err := l.copies(ctx, tx, store.Filter{}, ids)
	if err != nil {
		return nil, err
	}
	of := map[string][]held{}
	for _, c := range copies {
		of[c.id] = append(of[c.id], c)
	}
	samples, err := telemetries(ctx, tx, ids)
	if err != nil {
		return nil, err
	}
	type place struct{ system, bench string }
	systems := map[place]record.System{}
	out := map[string]asked{}
	for _, id := range ids {
		x, err := l.sound(of[id], id)
		if err != nil {
			out[id] = asked{why: err}
			continue
		}
		blob, there := samples[[2]string{x.bench, id}]
		if !there {
			out[id] = asked{why: missing(pgx.ErrNoRows)}
			continue
		}
		a := x.Arrival
		if blob != nil {
			a.Telemetry = l.decoded(x, blob)
		}
		if at := (place{a.Pass.System, x.bench}); at.system != "" {
			s, known := systems[at]
			if !known {
				var is bool
				if s, is, err = l.system(ctx, tx, at.system, at.bench); err != nil {
					return nil, err
				} else if !is {
					s = record.System{}
				}
				systems[at] = s
			}
			a.System = s
		}
		out[id] = asked{Arrival: a}
	}
	return out, nil
}

// telemetries are the packed samples by bench and identity.
func telemetries(ctx context.Context, tx pgx.Tx, ids []string) (map[[2]string][]byte, error) {
	rows, err := tx.Query(ctx, `SELECT bench, id, `+packedSamples+` FROM capd.archives WHERE id = ANY($1)`, ids)
	if err != nil {
		return nil, err
	}
	out := map[[2]string][]byte{}
	var bench, id string
	var blob []byte
	_, err = pgx.ForEachRow(rows, []any{&bench, &id, &blob}, func() error {
		out[[2]string{bench, id}] = blob
		blob = nil
		return nil
	})
	return out, err
}

// decoded unpacks samples; what cannot be read is noted and left out.
func (l *Lab) decoded(x held, blob []byte) *record.Telemetry {
	t, err := tables.DecodeTelemetry(blob)
	if err != nil {
		l.left.add(Note{Bench: x.bench, Pass: x.Pass.ID, Why: "its samples cannot be read: " + err.Error()})
		return nil
	}
	return t
}
