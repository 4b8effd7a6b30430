package store_test

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

func query(t testing.TB, s *store.Store, text string, args ...any) [][]any {
	t.Helper()
	rows, err := s.Query(ctx, text, args...)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	defer rows.Close()
	var out [][]any
	for {
		row, err := rows.Next()
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if row == nil {
			return out
		}
		out = append(out, row)
	}
}

// TestViewsAreAPromise fails when a column of a view is renamed, moved or lost. New
// columns may be added at the end.
func TestViewsAreAPromise(t *testing.T) {
	s := newStore(t)
	want := map[string]string{
		"passes": "id bench log sha256 started_at ended_at log_at stored_at state revision cell cpu gpu game scene resolution preset campaign driver system " +
			"verdict overruled frames duration_s avg_fps median_ms p95_ms p99_ms p999_ms max_ms low1_fps low01_fps low1_time_fps p99_fps hitches at",
		"tags":        "pass name value origin",
		"findings":    "pass check version outcome reason advice numbers params",
		"cells":       "cell cpu gpu game scene resolution preset passes used avg_fps avg_fps_sd low1_fps low1_fps_sd",
		"systems":     "id bench passes first_at last_at fields",
		"frames":      "pass n ms",
		"telemetry":   "pass series unit at value",
		"figures":     "cell verdict at avg_fps low1_fps",
		"corrections": "n change pass name old_value old_origin new_value new_origin at who why undoes",
	}
	for _, view := range store.Views {
		rows, err := s.Query(ctx, "SELECT * FROM "+view)
		if err != nil {
			t.Errorf("%s: %v", view, err)
			continue
		}
		if got := strings.Join(rows.Columns, " "); got != want[view] {
			t.Errorf("%s: columns\n got %s\nwant %s", view, got, want[view])
		}
		rows.Close()
	}
	page, err := os.ReadFile(filepath.Join("..", "docs", "store.md"))
	if err != nil {
		t.Fatal(err)
	}
	for view, columns := range want {
		for _, c := range strings.Fields(view + " " + columns) {
			if !strings.Contains(string(page), "`"+c+"`") {
				t.Errorf("docs/store.md does not tell of %s.%s", view, c)
			}
		}
	}
}

func TestViewsShowWhatWasStored(t *testing.T) {
	s := newStore(t)
	var fps []float64
	for i := range 4 {
		a := arrival(i)
		saved := mustSave(t, s, a)
		v := record.Clean
		if i == 3 {
			v = record.VerdictBad
		} else {
			fps = append(fps, a.Pass.Metrics.AvgFPS)
		}
		f := []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}
		if err := s.Finish(ctx, saved.ID, f, v); err != nil {
			t.Fatal(err)
		}
	}
	mean := (fps[0] + fps[1] + fps[2]) / 3
	var ss float64
	for _, x := range fps {
		ss += (x - mean) * (x - mean)
	}
	cell := query(t, s, "SELECT passes, used, avg_fps, avg_fps_sd, low1_fps_sd FROM cells WHERE game = ?", "Glass Harbour")
	if len(cell) != 1 || cell[0][0] != int64(4) || cell[0][1] != int64(3) {
		t.Fatalf("cells %v", cell)
	}
	if got := cell[0][2].(float64); math.Abs(got/mean-1) > 1e-14 {
		t.Errorf("mean %v, want %v", got, mean)
	}
	if got, want := cell[0][3].(float64), math.Sqrt(ss/2); math.Abs(got-want) > 1e-14*mean {
		t.Errorf("deviation %v, want %v", got, want)
	}
	a := arrival(0)
	id := record.PassID(a.Pass.SHA256)
	var ms []float64
	for _, row := range query(t, s, "SELECT ms FROM frames WHERE pass = ? ORDER BY n", id) {
		ms = append(ms, row[0].(float64))
	}
	if !sameBits(ms, a.Frames.MS) {
		t.Error("the view frames does not give the frame times bit for bit")
	}
	if rows := query(t, s, "SELECT at, value FROM telemetry WHERE pass = ? AND series = 'cpu.temp'", id); len(rows) != 8 || rows[0][1] != nil || rows[1][1] != 48.5 {
		t.Errorf("telemetry %v", rows)
	}
	if rows := query(t, s, "SELECT value, origin FROM tags WHERE pass = ? AND name = 'gpu'", id); !reflect.DeepEqual(rows, [][]any{{"Lumen 40", "detected"}}) {
		t.Errorf("tags %v", rows)
	}
	if rows := query(t, s, `SELECT "check", outcome FROM findings WHERE pass = ?`, id); !reflect.DeepEqual(rows, [][]any{{"completeness", "ok"}}) {
		t.Errorf("findings %v", rows)
	}
}

// TestPlans: what must stay fast in a store of a million passes is served by an index.
func TestPlans(t *testing.T) {
	s := newStore(t)
	for text, want := range map[string]string{
		"SELECT cell, avg(avg_fps), sum(low1_fps) FROM figures WHERE verdict <> 'bad' GROUP BY cell": "COVERING INDEX passes_cell",
		"SELECT * FROM passes WHERE verdict = 'bad' ORDER BY at DESC LIMIT 50":                       "INDEX passes_verdict_at",
		"SELECT * FROM passes WHERE campaign = 'x' ORDER BY at DESC LIMIT 50":                        "INDEX passes_at",
		"SELECT avg_fps_sd FROM cells WHERE game = 'x' AND gpu = 'y'":                                "COVERING INDEX passes_cell", // where a cell is too large to be kept
		"SELECT avg(avg_fps) FROM cells":                                                             "SCAN c;",
		"SELECT name, value FROM tags WHERE pass = 'x'":                                              "PRIMARY KEY",
	} {
		var plan []string
		for _, row := range query(t, s, "EXPLAIN QUERY PLAN "+text) {
			plan = append(plan, fmt.Sprint(row[3]))
		}
		all := strings.Join(plan, "; ")
		if !strings.Contains(all, want) || strings.Contains(all, "TEMP B-TREE") {
			t.Errorf("%s\nplan: %s\nwant: %s and no sorting", text, all, want)
		}
	}
}

func TestQueriesCannotWrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	outside := filepath.Join(t.TempDir(), "x.db")
	for _, text := range []string{
		"DELETE FROM pass_rows", "-- all\n /* of */ delete from passes", "UPDATE pass_rows SET verdict = 'clean'", "INSERT INTO settings VALUES ('a', 'b')", "DROP TABLE pass_rows",
		"CREATE TABLE x (a)", "CREATE TEMP TABLE x (a)", "ATTACH '" + outside + "' AS x", "VACUUM INTO '" + outside + "'", "VACUUM",
		"PRAGMA user_version = 7", "PRAGMA journal_mode = delete", "PRAGMA writable_schema = 1", "PRAGMA query_only = 0", "BEGIN IMMEDIATE",
		"SELECT load_extension('x')", "SELECT * FROM settings", "SELECT * FROM pass_rows", "REINDEX", "ANALYZE",
		"SELECT 1; DELETE FROM pass_rows", "SELECT ';'; DROP TABLE pass_rows --", "/* ; */ SELECT 1 -- ;\n; SELECT 2",
		"WITH x AS (SELECT 1) INSERT INTO settings SELECT 'a', 'b' FROM x", "SELECT * FROM passes\x00; DELETE FROM pass_rows",
		"ALTER TABLE pass_rows ADD COLUMN x", "DETACH main", "SAVEPOINT x", "WITH x AS (SELECT 1) DELETE FROM settings", "PRAGMA wal_checkpoint", "PRAGMA trusted_schema = 1", "PRAGMA foreign_keys = 0",
		"PRAGMA temp_store_directory = '/tmp'", "SELECT * FROM pragma_database_list", "SELECT * FROM dbstat", "SELECT * FROM sqlite_dbpage",
		"REPLACE INTO settings VALUES ('a', 'b')", "EXPLAIN DELETE FROM pass_rows", "SELECT 1 \"a;b\"; SELECT 2",
	} {
		rows, err := s.Query(ctx, text)
		if err == nil {
			_, err = rows.Next()
			rows.Close()
		}
		if !errors.Is(err, store.ErrForbidden) {
			t.Errorf("%q: %v", text, err)
		}
	}
	if _, err := os.Stat(outside); err == nil {
		t.Error("a query made a file")
	}
	if got := query(t, s, "SELECT count(*) FROM passes -- all; of them\n ; "); got[0][0] != int64(1) {
		t.Errorf("passes afterwards: %v", got)
	}
	mustSave(t, s, arrival(2)) // the guard does not stay on the pool's connections
}

// TestTablesBehindTheViews: no way round leads to a table but through the views, and a table
// of the query's own does not pass for one of them.
func TestTablesBehindTheViews(t *testing.T) {
	s := newStore(t)
	mustSave(t, s, arrival(1))
	for _, table := range []string{"pass_rows", "settings", "archives", "alerts"} {
		for _, text := range []string{
			"WITH x AS (SELECT * FROM %s) SELECT * FROM x", "WITH passes AS (SELECT * FROM %s) SELECT * FROM passes", "WITH PaSSes(a) AS NOT MATERIALIZED (SELECT 1 FROM %s) SELECT * FROM PASSES",
			`WITH "passes" AS MATERIALIZED (SELECT * FROM %s) SELECT * FROM passes`, "WITH [passes] AS (SELECT * FROM %s) SELECT * FROM passes", "WITH `passes`/**/AS--\n(SELECT * FROM %s) SELECT * FROM passes",
			"WITH a AS (SELECT 1), tags (b, c) AS (SELECT 1, 2 FROM %s) SELECT * FROM tags", "SELECT * FROM (WITH cells AS (SELECT * FROM %s) SELECT * FROM cells)", "WITH cell_figures AS (SELECT * FROM %s) SELECT * FROM cell_figures",
			"WITH RECURSIVE frames(n) AS (SELECT 1 FROM %s UNION ALL SELECT n + 1 FROM frames WHERE n < 3) SELECT * FROM frames", "SELECT * FROM (SELECT * FROM %s) AS passes",
			"SELECT * FROM passes WHERE EXISTS (SELECT * FROM %[1]s AS passes)", "SELECT passes.* FROM %s passes", "WITH 'passes' AS (SELECT * FROM %s) SELECT * FROM passes",
			"WITH tags AS (SELECT * FROM passes), x AS (SELECT * FROM %s) SELECT * FROM x",
		} {
			text = fmt.Sprintf(strings.ReplaceAll(text, "\\n", "\n"), table)
			rows, err := s.Query(ctx, text)
			if err == nil {
				_, err = rows.Next()
				rows.Close()
			}
			if !errors.Is(err, store.ErrForbidden) {
				t.Errorf("%s: %v", text, err)
			}
		}
	}
	for _, text := range []string{
		"WITH x AS (SELECT * FROM passes) SELECT id FROM x", "WITH x(a, b) AS (SELECT id, bench FROM passes), y AS (SELECT a FROM x) SELECT * FROM y", "SELECT id AS passes FROM passes AS p",
		"SELECT count(*) AS passes FROM passes", "SELECT avg_fps_sd FROM cells", "SELECT 'WITH passes AS (' FROM passes", "SELECT id FROM passes -- WITH tags AS (SELECT 1)",
		"SELECT CAST(frames AS TEXT), sum(frames) OVER w FROM passes WINDOW w AS (ORDER BY at)", "SELECT a.* FROM (SELECT id FROM passes) AS a",
	} {
		if rows := query(t, s, text); len(rows) != 1 {
			t.Errorf("%s: %v", text, rows)
		}
	}
	for _, text := range []string{"", ";", " ; ;", "-- nothing\n", "/* nothing */"} {
		if _, err := s.Query(ctx, text); !errors.Is(err, store.ErrStatement) || !strings.Contains(err.Error(), "empty") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestValuesHaveALimit: one value cannot fill the memory, in and between the steps of a
// query, and the limit does not stay on the pool's connections.
func TestValuesHaveALimit(t *testing.T) {
	s := newStore(t)
	for _, text := range []string{"SELECT length(hex(zeroblob(400000000)))", "SELECT length(printf('%1000000000d', 1))", "SELECT hex(randomblob(300000000)) GLOB '*a*'", "SELECT length(group_concat(hex(zeroblob(9000000)))) FROM (SELECT 1 UNION ALL SELECT 2 UNION ALL SELECT 3)"} {
		rows, err := s.Query(ctx, text)
		if err == nil {
			_, err = rows.Next()
			rows.Close()
		}
		if err == nil || !strings.Contains(err.Error(), "too big") {
			t.Errorf("%s: %v", text, err)
		}
	}
	a := arrival(1)
	a.LogBytes = noise(1, 40<<20)
	mustSave(t, s, a)
}

func TestRunawayQueryIsStopped(t *testing.T) {
	s := newStore(t)
	for i := range 3 {
		mustSave(t, s, arrival(i))
	}
	for _, text := range []string{
		"WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT count(*) FROM c",
		"WITH RECURSIVE c(n) AS (SELECT 1 UNION SELECT n + 1 FROM c) SELECT max(n) FROM c",
		"SELECT count(*) FROM frames a, frames b, frames c, frames d",
		"WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT sum(n) OVER (ORDER BY n) FROM c ORDER BY 1 DESC",
	} {
		limited, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
		rows, err := s.Query(limited, text)
		if err == nil {
			_, err = rows.Next()
			rows.Close()
		}
		if err == nil {
			t.Fatalf("%s: an endless query ended", text)
		}
		if limited.Err() == nil {
			t.Fatalf("%s: it was refused instead: %v", text, err)
		}
		cancel()
	}
	mustSave(t, s, arrival(9))
}

func TestHostileTagsAreValues(t *testing.T) {
	s := newStore(t)
	hostile := []string{"'; DROP TABLE pass_rows; --", `" OR 1=1`, "a\x00b", "%_", "*", "[", "=cmd|' /C calc'!A0", "../../etc", strings.Repeat("x", 1<<16), "\xff\xfe", "🎮"}
	for i, v := range hostile {
		a := arrival(i)
		a.Pass.Tags = record.Tags{"game": {Value: v, From: record.FromPath}, v: {Value: "1", From: record.FromHeader}}
		id := mustSave(t, s, a).ID
		p, err := s.Pass(ctx, id)
		if err != nil || !reflect.DeepEqual(p.Tags, a.Pass.Tags) {
			t.Errorf("%.20q came back as %.60v, %v", v, p.Tags, err)
		}
		if n, err := s.Count(ctx, store.Filter{Tags: map[string]string{v: "1"}}); err != nil || n != 1 {
			t.Errorf("tag named %.20q: %d passes, %v", v, n, err)
		}
		found, err := s.Passes(ctx, store.Filter{Tags: map[string]string{"game": v}, Bench: "bench-1"})
		if err != nil || len(found) == 0 {
			t.Errorf("value %.20q: %v, %v", v, len(found), err)
		}
		if list, err := s.Earlier(ctx, "", map[string]string{"game": v}, "", 0); err != nil || len(list) != 1 {
			t.Errorf("cell of %.20q: %d, %v", v, len(list), err)
		}
	}
	if n, err := s.Count(ctx, store.Filter{}); err != nil || n != len(hostile) {
		t.Errorf("%d passes, %v", n, err)
	}
	if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestMisspeltQueries: a statement that is wrong in itself is [store.ErrStatement], one
// that meets a value it cannot work with is not, wherever in the result that stands.
func TestMisspeltQueries(t *testing.T) {
	s := newStore(t)
	for i := range 3 {
		mustSave(t, s, arrival(i))
	}
	run := func(text string, args ...any) error {
		rows, err := s.Query(ctx, text, args...)
		if err != nil {
			return err
		}
		defer rows.Close()
		for row := []any{nil}; row != nil && err == nil; {
			row, err = rows.Next()
		}
		return err
	}
	for _, text := range []string{
		"SELEC 1", "SELECT nope FROM passes", "SELECT * FROM nope", "SELECT nope(1)", "SELECT 1 +", "SELECT 'abc", "SELECT abs()",
		"SELECT id FROM passes p, passes q", "SELECT sum(sum(1)) FROM passes", "SELECT 1 UNION SELECT 1, 2", "SELECT *", "EXPLAIN SELEC 1",
		"-- a comment\nSELECT nope FROM passes", "PRAGMA table_info(passes) x",
	} {
		if err := run(text); !errors.Is(err, store.ErrStatement) {
			t.Errorf("%s: %v", text, err)
		}
	}
	const least = "-9223372036854775807 - 1"
	for _, c := range []struct {
		text, want string
		args       []any
	}{
		{"SELECT abs(" + least + ")", "integer overflow", nil},
		{"SELECT sum(9223372036854775807) FROM passes", "integer overflow", nil},
		{"SELECT json_extract(?, '$.a')", "malformed JSON", []any{"{"}},
		{"SELECT CASE WHEN frames > 0 THEN json(log) END FROM passes", "malformed JSON", nil},
		{"SELECT ntile(0) OVER () FROM passes", "argument of ntile", nil},
		{"SELECT 1 UNION ALL SELECT abs(" + least + ")", "integer overflow", nil}, // after a row
	} {
		if err := run(c.text, c.args...); err == nil || errors.Is(err, store.ErrStatement) || !strings.Contains(err.Error(), "failed on a value: "+c.want) {
			t.Errorf("%s: %v", c.text, err)
		}
	}
}

// TestOldStoresOpen opens stores that earlier versions of the program wrote. Each holds the
// passes 0 to 2; later ones also pass 3, a log that grew once, with a corrected tag, a
// verdict set by hand and an alert.
func TestOldStoresOpen(t *testing.T) {
	for _, c := range []struct{ version, passes int }{{1, 3}, {4, 4}, {7, 4}, {8, 4}, {9, 4}} {
		for _, readOnly := range []bool{false, true} {
			t.Run(fmt.Sprintf("version %d, read only %v", c.version, readOnly), func(t *testing.T) {
				path := filepath.Join(t.TempDir(), "passes.db")
				unzip(t, fmt.Sprintf("testdata/version%d.db.gz", c.version), path)
				s, err := store.Open(ctx, path, store.Options{ReadOnly: readOnly})
				if err != nil {
					t.Fatal(err)
				}
				defer s.Close()
				checkOldPasses(t, s, c.passes)
				if c.passes > 3 {
					checkOldHistory(t, s)
				}
				if !readOnly {
					checkOldFollowed(t, s)
				}
			})
		}
	}
}

// TestOlderStoreIsKept: what an earlier version wrote stays beside the store that was brought
// up to date, readable by that version, and a later copy does not take its place.
func TestOlderStoreIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	for range 2 {
		unzip(t, "testdata/version7.db.gz", path)
		for range 2 { // the second time there is nothing to keep
			mustOpen(t, path).Close()
		}
		must(t, os.Remove(path))
	}
	copies, err := filepath.Glob(path + ".version-7*")
	if err != nil || len(copies) != 2 || copies[0] != path+".version-7" {
		t.Fatalf("%v, %v", copies, err)
	}
	for _, c := range copies {
		db := rawOpen(t, c)
		var v, passes int
		must(t, db.QueryRow("PRAGMA user_version").Scan(&v))
		must(t, db.QueryRow("SELECT count(*) FROM passes").Scan(&passes))
		if info, err := os.Stat(c); v != 7 || passes < 3 || err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: version %d, %d passes, %v", c, v, passes, info.Mode())
		}
	}
	if all, _ := filepath.Glob(filepath.Join(filepath.Dir(path), "*")); len(all) != 2 {
		t.Errorf("left over: %v", all)
	}
}

// TestEveryVersionOpens brings the oldest store to each version in turn by the steps that
// programs of that time took, and then opens it.
func TestEveryVersionOpens(t *testing.T) {
	steps, err := filepath.Glob("migrations/*.sql")
	if err != nil || len(steps) < 8 {
		t.Fatalf("%d migrations, %v", len(steps), err)
	}
	// The step to version 9 seals the passes, which no script does; stores from then on are fixtures.
	for at := 1; at < min(len(steps), 9); at++ {
		path := filepath.Join(t.TempDir(), "passes.db")
		unzip(t, "testdata/version1.db.gz", path)
		for v := 2; v <= at; v++ {
			script, err := os.ReadFile(fmt.Sprintf("migrations/%03d.sql", v))
			if err != nil {
				t.Fatal(err)
			}
			execute(t, path, fmt.Sprintf("BEGIN; %s; PRAGMA user_version = %d; COMMIT", script, v))
		}
		s := mustOpen(t, path)
		checkOldPasses(t, s, 3)
		checkOldFollowed(t, s)
		checkCells(t, s)
	}
}

func checkOldPasses(t *testing.T, s *store.Store, want int) {
	t.Helper()
	all, err := s.Passes(ctx, store.Filter{})
	if err != nil || len(all) != want {
		t.Fatalf("%d passes, %v", len(all), err)
	}
	for i, p := range all[:3] {
		a := arrival(i)
		f, err := s.Frames(ctx, p.ID)
		if err != nil || !sameBits(f.MS, a.Frames.MS) || p.SHA256 != a.Pass.SHA256 || !reflect.DeepEqual(p.Tags, a.Pass.Tags) {
			t.Errorf("pass %d is not what was stored: %v", i, err)
		}
		if (i > 0) != (p.Verdict == record.Clean && len(p.Findings) == 1) {
			t.Errorf("pass %d: verdict %q, findings %v", i, p.Verdict, p.Findings)
		}
	}
	if open, err := s.Unfinished(ctx); err != nil || len(open) != want {
		t.Errorf("unfinished %d, %v", len(open), err)
	}
	if r, err := s.Verify(ctx); err != nil || r.Whole != want || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	query(t, s, "SELECT * FROM cells")
}

func checkOldHistory(t *testing.T, s *store.Store) {
	t.Helper()
	all, err := s.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	p := all[3]
	if p.Revision != 1 || p.Overruled != "seen" || p.Verdict != record.VerdictBad {
		t.Errorf("revision %d, verdict %q (%q)", p.Revision, p.Verdict, p.Overruled)
	}
	if old, err := s.Revisions(ctx, p.ID); err != nil || len(old) != 1 {
		t.Errorf("%d old revisions, %v", len(old), err)
	}
	if h, err := s.TagHistory(ctx, p.ID); err != nil || len(h) != 1 {
		t.Errorf("%d corrections, %v", len(h), err)
	}
	if a, err := s.Alerts(ctx, false, 0); err != nil || len(a) != 1 {
		t.Errorf("%d alerts, %v", len(a), err)
	}
}

// checkOldFollowed lets a log grow under another name that an older version stored.
func checkOldFollowed(t *testing.T, s *store.Store) {
	t.Helper()
	a := arrival(1)
	id := record.PassID(a.Pass.SHA256)
	longer := arrivalOf("longer than it was", "/logs/renamed.csv", a.Pass.StartedAt, record.Frames{MS: append(slices.Clone(a.Frames.MS), 9), Decimals: a.Frames.Decimals})
	if got := mustSave(t, s, longer); got.ID != id || got.Revision != 1 {
		t.Errorf("a log that grew under another name became %+v, want revision 1 of %s", got, id)
	}
}

func unzip(t *testing.T, from, to string) {
	t.Helper()
	f, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, data, 0o600); err != nil {
		t.Fatal(err)
	}
}
