package tables

import (
	"context"
	"database/sql"
	"time"

	"capd.example/store/internal/sqlbase"
)

// Retention says what may be dropped of passes that ran before a time; zero drops
// nothing. Figures, tags, findings and frame times always stay.
type Retention struct {
	LogsBefore      time.Time // kept logs
	TelemetryBefore time.Time // samples
	Keep            []string  // identities of passes that keep everything
}

// Droppable is what retention takes, or would take, of one pass with all its revisions.
type Droppable struct {
	Pass      string    `json:"pass"`
	Log       string    `json:"log"` // path at which the log lay
	At        time.Time `json:"at"`
	LogBytes  int64     `json:"log_bytes"` // compressed, as for the samples
	Telemetry int64     `json:"telemetry_bytes"`
}

// Retained is what became of a [Store.Retain].
type Retained struct {
	Passes []Droppable // oldest first
	// Passes old enough that lose nothing all the same, and why; the first that holds counts.
	// InCampaign have the tag, Kept are named by [Retention.Keep].
	InCampaign, Kept, InUse, Unfinished int
}

// Protected are the reasons that the store knows why a pass p keeps everything.
const Protected = `CASE WHEN p.campaign <> '' THEN 1 WHEN EXISTS (SELECT 1 FROM uses u WHERE u.pass = p.n) THEN 2
	WHEN p.state <> 'notified' THEN 3 ELSE 0 END`

// DroppablePasses looks with texts of times: stamp makes "" of none, and nothing is before that.
func DroppablePasses(ctx context.Context, tx *sql.Tx, rules Retention) (out Retained, numbers []int64, err error) {
	rows, err := tx.QueryContext(ctx, `
		SELECT p.n, p.id, p.log, p.at, `+Protected+`,
			sum(CASE WHEN p.at < ? THEN coalesce(length(x.log), 0) ELSE 0 END) AS logs,
			sum(CASE WHEN p.at < ? THEN coalesce(length(x.telemetry), 0) ELSE 0 END) AS samples
		FROM pass_rows p JOIN revisions r ON r.pass = p.n JOIN archives x ON x.revision = r.n
		WHERE p.at < max(?, ?) GROUP BY p.at, p.n HAVING logs + samples > 0 ORDER BY p.at, p.n`,
		sqlbase.Stamp(rules.LogsBefore), sqlbase.Stamp(rules.TelemetryBefore), sqlbase.Stamp(rules.LogsBefore),
		sqlbase.Stamp(rules.TelemetryBefore))
	if err != nil {
		return out, nil, err
	}
	keep := make(map[string]bool, len(rules.Keep))
	for _, id := range rules.Keep {
		keep[id] = true
	}
	for rows.Next() {
		var d Droppable
		var n int64
		var at string
		var why int
		err := rows.Scan(&n, &d.Pass, &d.Log, &at, &why, &d.LogBytes, &d.Telemetry)
		if err == nil {
			d.At, err = sqlbase.Unstamp(at)
		}
		if err != nil {
			rows.Close()
			return out, nil, err
		}
		switch {
		case why == 1:
			out.InCampaign++
		case keep[d.Pass]:
			out.Kept++
		case why == 2:
			out.InUse++
		case why == 3:
			out.Unfinished++
		default:
			out.Passes, numbers = append(out.Passes, d), append(numbers, n)
		}
	}
	return out, numbers, sqlbase.CloseRows(rows)
}

// RetentionNotes are what retention knows of a pass, by when: what uses it, and the parts
// that were dropped of its current revision.
type RetentionNotes struct{ Uses, Dropped map[string]string }

// RetentionOf reads what uses a pass and what was dropped of it.
func RetentionOf(ctx context.Context, tx *sql.Tx, n int64) (out RetentionNotes, err error) {
	if out.Uses, err = texts(ctx, tx, `SELECT what, at FROM uses WHERE pass = ?`, n); err != nil {
		return out, err
	}
	out.Dropped, err = texts(ctx, tx, `SELECT d.part, d.at FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision
		JOIN dropped d ON d.revision = r.n WHERE p.n = ?`, n)
	return out, err
}

func texts(ctx context.Context, tx *sql.Tx, query string, args ...any) (map[string]string, error) {
	rows, err := tx.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for rows.Next() {
		var key, value string
		if err := rows.Scan(&key, &value); err != nil {
			rows.Close()
			return nil, err
		}
		out[key] = value
	}
	return out, sqlbase.CloseRows(rows)
}
