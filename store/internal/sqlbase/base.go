package sqlbase

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	_ "modernc.org/sqlite"
)

// What can be wrong with a store. Compare with [errors.Is]; the message of the wrapping
// error names the file and says what to do.
var (
	ErrNoStore    = errors.New("there is no store")
	ErrNotOurs    = errors.New("the file is a database of another program")
	ErrNewer      = errors.New("the store was written by a newer version of the program")
	ErrCorrupt    = errors.New("the store is damaged")
	ErrFull       = errors.New("the disk is full")
	ErrReadOnly   = errors.New("the store cannot be written to")
	ErrBusy       = errors.New("another program holds the store")
	ErrNotFound   = errors.New("there is no such pass")
	ErrAmbiguous  = errors.New("several passes begin like this")
	ErrNoChange   = errors.New("there is no such change of tags")
	ErrNoNote     = errors.New("there is no such note")
	ErrNoRevision = errors.New("the pass has no such revision")
	ErrNotByHand  = errors.New("its verdict was not set by hand")
)

// NoRows reports whether a query found nothing.
func NoRows(err error) bool { return errors.Is(err, sql.ErrNoRows) }

// Wrap puts words in front of an error, and leaves none alone.
func Wrap(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf(format+": %w", append(args, err)...)
}

// CloseRows closes rows that were read to their end and returns what went wrong.
func CloseRows(rows *sql.Rows) error {
	err := rows.Err()
	if e := rows.Close(); err == nil {
		err = e
	}
	return err
}

// JSONList is a list of numbers for json_each.
func JSONList(numbers []int64) string {
	text, _ := json.Marshal(numbers) // numbers always have a JSON form
	return string(text)
}

// Querier is a database or a transaction.
type Querier interface {
	QueryContext(context.Context, string, ...any) (*sql.Rows, error)
}

// NumbersOf runs a query for numbers.
func NumbersOf(ctx context.Context, q Querier, query string, args ...any) ([]int64, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	out := []int64{}
	for rows.Next() {
		var n int64
		if err := rows.Scan(&n); err != nil {
			rows.Close()
			return nil, err
		}
		out = append(out, n)
	}
	return out, CloseRows(rows)
}

// timeText has a fixed width, so that text order is time order.
const timeText = "2006-01-02T15:04:05.000000Z"

// Stamp is a time as it is stored.
func Stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(timeText)
}

// Unstamp reads a stored time.
func Unstamp(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return t, fmt.Errorf("%w: time %q", ErrCorrupt, s)
	}
	return t.UTC(), nil
}
