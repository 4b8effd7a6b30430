package tables

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"capd.example/store/internal/sqlbase"
)

// A pass has a digest for each group of its rows: the first eight bytes of a SHA-256 over
// the values of the rows in a fixed order. They find what the disk, the memory or another
// program changed; they hold no secret, so whoever can write to the file can forge them.
// Frame times, samples and logs have checksums of their own and only their lengths here.
//
// They are written with the rows, in the transaction that changes them, by [change] and
// [seal] alone.
const (
	GroupLog       = iota // where the pass came from, its times, revisions and names
	GroupFigures          // its figures
	GroupTags             // tags with their history
	GroupCell             // what of them stands in columns: cell and campaign
	GroupVerdict          // state, verdict, judgements, findings
	groupSystem           // identity and facts of the system
	GroupRetention        // what uses the pass, what was dropped of it
	Groups
)

// GroupNames are for sentences that go on with "changed since it was stored".
var GroupNames = [Groups]string{"what is known of its log", "a figure", "a tag", "its cell",
	"its verdict or a finding", "what is known of its system", "what retention noted of it"}

var EveryGroup = []int{GroupLog, GroupFigures, GroupTags, GroupCell, GroupVerdict, groupSystem, GroupRetention}

// digestVersion leads stored digests; another one comes with a migration.
const digestVersion = 1

// digest is what is kept of a pass: for each group eight bytes.
type digest [Groups][8]byte

func (d digest) blob() []byte {
	out := []byte{digestVersion}
	for _, g := range d {
		out = append(out, g[:]...)
	}
	return out
}

func digestOf(blob []byte) (d digest, err error) {
	if len(blob) != 1+8*Groups || blob[0] != digestVersion {
		return d, fmt.Errorf("%w: its digest", sqlbase.ErrCorrupt)
	}
	for i := range d {
		copy(d[i][:], blob[1+8*i:])
	}
	return d, nil
}

// groupQueries give, for passes named by a list of numbers in JSON, the rows of each
// group: first the pass, then the values.
var groupQueries = []struct {
	group int
	text  string
}{
	{GroupLog, `SELECT p.n, p.id, p.sha256, p.bench, p.log, p.at, p.started_at, p.ended_at, p.log_at, p.stored_at, p.revision, p.doc, a.at
		FROM pass_rows p LEFT JOIN adopted a ON a.pass = p.n WHERE p.n IN (SELECT value FROM json_each(?))`},
	{GroupLog, `SELECT r.pass, r.n, r.revision, r.sha256, r.size, r.stored_at, r.was, length(x.frames), length(x.telemetry), length(x.seconds), length(x.log), x.start_temp
		FROM revisions r LEFT JOIN archives x ON x.revision = r.n WHERE r.pass IN (SELECT value FROM json_each(?)) ORDER BY r.pass, r.n`},
	{GroupLog, `SELECT pass, path FROM names WHERE pass IN (SELECT value FROM json_each(?)) ORDER BY pass, path`},
	{GroupFigures, `SELECT n, frames, duration_s, avg_fps, median_ms, p95_ms, p99_ms, p999_ms, max_ms, low1_fps, low01_fps, low1_time_fps, p99_fps,
		hitches, low1_sparse, low01_sparse FROM pass_rows WHERE n IN (SELECT value FROM json_each(?))`},
	{GroupCell, `SELECT p.n, p.campaign, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset FROM pass_rows p LEFT JOIN cell_rows c ON c.n = p.cell
		WHERE p.n IN (SELECT value FROM json_each(?))`},
	{GroupTags, `SELECT t.pass, m.name, m.value, t.origin FROM tag_rows t LEFT JOIN terms m ON m.n = t.term
		WHERE t.pass IN (SELECT value FROM json_each(?)) ORDER BY t.pass, m.name, m.value`},
	{GroupTags, `SELECT pass, n, change, name, old_value, old_origin, new_value, new_origin, at, who, why, undoes FROM tag_changes
		WHERE pass IN (SELECT value FROM json_each(?)) ORDER BY pass, n`},
	{GroupVerdict,
		`SELECT n, state, verdict, overruled, judgement FROM pass_rows WHERE n IN (SELECT value FROM json_each(?))`},
	{GroupVerdict, `SELECT j.pass, j.n, j.revision, j.kind, j.verdict, j.reason, j.who, j.at, f.seq, f.name, f.version, f.outcome, f.reason, f.advice, f.numbers, f.params
		FROM judgements j LEFT JOIN finding_rows f ON f.judgement = j.n WHERE j.pass IN (SELECT value FROM json_each(?)) ORDER BY j.pass, j.n, f.seq`},
	{groupSystem,
		`SELECT p.n, s.id, s.fields FROM pass_rows p LEFT JOIN system_rows s ON s.n = p.system WHERE p.n IN (SELECT value FROM json_each(?))`},
	{GroupRetention, `SELECT pass, what, at FROM uses WHERE pass IN (SELECT value FROM json_each(?)) ORDER BY pass, what`},
	{GroupRetention, `SELECT r.pass, d.revision, d.part, d.at FROM revisions r JOIN dropped d ON d.revision = r.n
		WHERE r.pass IN (SELECT value FROM json_each(?)) ORDER BY r.pass, d.revision, d.part`},
}

// Digests computes the digests of some groups of passes from their rows; the others are
// left empty.
func Digests(ctx context.Context, tx *sql.Tx, numbers []int64, which []int) (map[int64]digest, error) {
	rows := make(map[int64]*[Groups]bytes.Buffer, len(numbers))
	for _, n := range numbers {
		rows[n] = new([Groups]bytes.Buffer)
	}
	list := sqlbase.JSONList(numbers)
	for i, q := range groupQueries {
		if !slices.Contains(which, q.group) {
			continue
		}
		if err := gather(ctx, tx, q.text, list, func(n int64) *bytes.Buffer {
			if of := rows[n]; of != nil {
				of[q.group].WriteByte(byte(i))
				return &of[q.group]
			}
			return nil
		}); err != nil {
			return nil, err
		}
	}
	out := make(map[int64]digest, len(numbers))
	for n, of := range rows {
		var d digest
		for _, g := range which {
			sum := sha256.Sum256(of[g].Bytes())
			copy(d[g][:], sum[:])
		}
		out[n] = d
	}
	return out, nil
}

// gather writes every row of a query to the buffer of its pass.
func gather(ctx context.Context, tx *sql.Tx, query, list string, of func(n int64) *bytes.Buffer) error {
	rows, err := tx.QueryContext(ctx, query, list)
	if err != nil {
		return err
	}
	columns, err := rows.Columns()
	if err != nil {
		rows.Close()
		return err
	}
	values, to := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		to[i] = &values[i]
	}
	for rows.Next() {
		if err := rows.Scan(to...); err != nil {
			rows.Close()
			return err
		}
		n, _ := values[0].(int64)
		if b := of(n); b != nil {
			for _, v := range values {
				appendValue(b, v)
			}
		}
	}
	return sqlbase.CloseRows(rows)
}

// appendValue writes a value with its kind and length, so that no two rows read alike.
func appendValue(b *bytes.Buffer, v any) {
	word := func(kind byte, n uint64) {
		b.WriteByte(kind)
		b.Write(binary.BigEndian.AppendUint64(nil, n))
	}
	switch x := v.(type) {
	case nil:
		b.WriteByte(0)
	case int64:
		word(1, uint64(x))
	case float64:
		word(2, math.Float64bits(x))
	case string:
		word(3, uint64(len(x)))
		b.WriteString(x)
	case []byte:
		word(4, uint64(len(x)))
		b.Write(x)
	default: // the driver knows no other kind of a column without a declared time
		panic(fmt.Sprintf("store: a column of type %T", v))
	}
}

// KeptDigests returns the digests that are stored of passes. One that cannot be read is
// left out.
func KeptDigests(ctx context.Context, tx *sql.Tx, numbers []int64) (map[int64]digest, error) {
	rows, err := tx.QueryContext(ctx, `SELECT pass, parts FROM digests WHERE pass IN (SELECT value FROM json_each(?))`,
		sqlbase.JSONList(numbers))
	if err != nil {
		return nil, err
	}
	out := make(map[int64]digest, len(numbers))
	for rows.Next() {
		var n int64
		var blob []byte
		if err := rows.Scan(&n, &blob); err != nil {
			rows.Close()
			return nil, err
		}
		if d, err := digestOf(blob); err == nil {
			out[n] = d
		}
	}
	return out, sqlbase.CloseRows(rows)
}

// ChangeSealed runs fn, which changes rows of the given groups of passes, and renews their
// digests. A group that was damaged before keeps the digest that says so, since what fn
// made of it rests on the damage.
func ChangeSealed(ctx context.Context, tx *sql.Tx, numbers []int64, which []int, fn func() error) error {
	kept, err := KeptDigests(ctx, tx, numbers)
	if err != nil {
		return err
	}
	before, err := Digests(ctx, tx, numbers, which)
	if err != nil {
		return err
	}
	if err := fn(); err != nil {
		return err
	}
	after, err := Digests(ctx, tx, numbers, which)
	if err != nil {
		return err
	}
	for _, n := range numbers {
		d := kept[n] // one that is missing fits nothing and stays so
		for _, g := range which {
			if d[g] == before[n][g] {
				d[g] = after[n][g]
			}
		}
		if err := keepDigest(ctx, tx, n, d); err != nil {
			return err
		}
	}
	return nil
}

// Seal gives passes that have none their digests.
func Seal(ctx context.Context, tx *sql.Tx, numbers []int64) error {
	found, err := Digests(ctx, tx, numbers, EveryGroup)
	if err != nil {
		return err
	}
	for _, n := range numbers {
		if err := keepDigest(ctx, tx, n, found[n]); err != nil {
			return err
		}
	}
	return nil
}

func keepDigest(ctx context.Context, tx *sql.Tx, n int64, d digest) error {
	_, err := tx.ExecContext(ctx,
		`INSERT INTO digests (pass, parts) VALUES (?, ?) ON CONFLICT (pass) DO UPDATE SET parts = excluded.parts`, n,
		d.blob())
	return err
}

// SealAll fills the digests of a store that had none.
func SealAll(ctx context.Context, tx *sql.Tx) error {
	numbers, err := sqlbase.NumbersOf(ctx, tx, `SELECT n FROM pass_rows ORDER BY n`)
	if err != nil {
		return err
	}
	for part := range slices.Chunk(numbers, Batch) {
		if err := Seal(ctx, tx, part); err != nil {
			return err
		}
	}
	return nil
}
