package lab

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// Bench is one bench as the lab knows it.
type Bench struct {
	Name    string    `json:"bench"`
	Passes  int       `json:"passes"`
	Bad     int       `json:"bad"`
	SeenAt  time.Time `json:"seen_at"` // when it last sent, by the lab's clock
	Backlog int       `json:"backlog"` // what it still had to send then
	// Skew is the bench's clock minus the lab's when it last sent, in s; it includes the
	// time on the way.
	Skew     float64 `json:"clock_skew_s"`
	Campaign string  `json:"campaign,omitempty"` // in force there when it last sent
	Open     int     `json:"open,omitempty"`     // passes that the campaign still wanted then
	Stores   int     `json:"stores"`             // that sent as this bench within a day of the last
}

// Status lists the benches in order of their names.
func (l *Lab) Status(ctx context.Context) (list []Bench, err error) {
	err = l.read(ctx, "status", func(tx pgx.Tx) error {
		if list, err = l.benches(ctx, tx); err != nil {
			return err
		}
		counts, err := countsOf(ctx, tx, "")
		for i, b := range list {
			list[i].Passes, list[i].Bad = counts[b.Name].passes, counts[b.Name].bad
		}
		return err
	})
	return list, err
}

// count is how many passes a bench has, and how many of them are bad.
type count struct{ passes, bad int }

func countsOf(ctx context.Context, tx pgx.Tx, condition string, args ...any) (map[string]count, error) {
	rows, err := tx.Query(ctx, `SELECT bench, count(*), sum(CASE verdict WHEN 'bad' THEN 1 ELSE 0 END) FROM capd.passes `+condition+
		` GROUP BY bench`, args...)
	if err != nil {
		return nil, err
	}
	out := map[string]count{}
	var bench string
	var c count
	_, err = pgx.ForEachRow(rows, []any{&bench, &c.passes, &c.bad}, func() error {
		out[bench] = c
		return nil
	})
	return out, err
}

// benches reads what benches told when they last sent. Of several stores that send as one
// bench the last counts; a row that names no store is from before they had names, and is
// asked only where the bench has not sent since.
func (l *Lab) benches(ctx context.Context, tx pgx.Tx) (list []Bench, err error) {
	rows, err := tx.Query(ctx, `SELECT bench, store, seen_at, bench_at, backlog, campaign, open FROM capd.benches
		ORDER BY bench, CASE store WHEN '' THEN 1 ELSE 0 END, seen_at DESC, store`)
	if err != nil {
		return nil, err
	}
	var b Bench
	var store string
	var seen, its pgtype.Timestamptz
	_, err = pgx.ForEachRow(rows, []any{&b.Name, &store, &seen, &its, &b.Backlog, &b.Campaign, &b.Open}, func() error {
		if !isTime(seen) || !isTime(its) {
			l.left.add(Note{Bench: b.Name, Why: "when it was last seen, or what its clock said, is no time"})
			return nil
		}
		b.SeenAt, b.Skew, b.Stores = seen.Time.UTC(), its.Time.Sub(seen.Time).Seconds(), 1
		if n := len(list); n > 0 && list[n-1].Name == b.Name {
			if store != "" && list[n-1].SeenAt.Sub(b.SeenAt) < 24*time.Hour {
				list[n-1].Stores++
			}
			return nil
		}
		list = append(list, b)
		return nil
	})
	return list, err
}
