package lab_test

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// shape describes all tables of a schema, without its name.
func shape(t *testing.T, address, schema string) []string {
	t.Helper()
	var out []string
	for _, query := range []string{
		`SELECT concat_ws(' ', table_name, column_name, data_type, collation_name, is_nullable, column_default) FROM information_schema.columns WHERE table_schema = 'SCHEMA' ORDER BY 1`,
		`SELECT indexdef FROM pg_indexes WHERE schemaname = 'SCHEMA' ORDER BY 1`,
		`SELECT concat_ws(' ', tablename, policyname, roles::text, cmd, qual, with_check) FROM pg_policies WHERE schemaname = 'SCHEMA' ORDER BY 1`,
		`SELECT concat_ws(' ', conrelid::regclass, conname, pg_get_constraintdef(oid)) FROM pg_constraint WHERE connamespace = 'SCHEMA'::regnamespace ORDER BY 1`,
		`SELECT concat_ws(' ', grantee, table_name, privilege_type) FROM information_schema.role_table_grants WHERE table_schema = 'SCHEMA' ORDER BY 1`,
	} {
		for _, line := range ask(t, address, strings.ReplaceAll(query, "SCHEMA", schema)) {
			out = append(out, strings.ReplaceAll(line, schema+".", ""))
		}
	}
	return out
}

// TestOldTablesBecomeNew brings tables of the versions before up to date: they end as new
// ones are, hold what they held, and the benches go on sending.
func TestOldTablesBecomeNew(t *testing.T) {
	a := address(t)
	l := setup(t, a, true)
	login(t, a, "one")
	if err := l.Assign(ctx, "one", "bench-1"); err != nil {
		t.Fatal(err)
	}
	s := newStore(t)
	for i := range 3 {
		add(t, s, "bench-1", i, 1)
	}
	send(t, s, "bench-1", as(t, a, "one"), 3)
	want := shape(t, a, "capd")
	ask(t, a, "ALTER SCHEMA capd RENAME TO fresh")
	ask(t, a, "CREATE SCHEMA capd; CREATE TABLE capd.version (version integer PRIMARY KEY); INSERT INTO capd.version VALUES (1), (2)")
	for _, file := range []string{"testdata/version-1.sql", "testdata/version-2.sql"} {
		script, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		ask(t, a, string(script))
	}
	const columns = `bench, id, sha256, at, revision, verdict, overruled, campaign, cpu, gpu, game, scene, resolution, preset,
		system, frames, avg_fps, low1_fps, p99_ms, tags, doc`
	ask(t, a, `INSERT INTO capd.members SELECT role, bench FROM fresh.members; INSERT INTO capd.systems SELECT id, fields FROM fresh.systems;
		INSERT INTO capd.passes (`+columns+`) SELECT `+columns+` FROM fresh.passes;
		INSERT INTO capd.archives SELECT bench, id, frames, telemetry FROM fresh.archives; INSERT INTO capd.benches VALUES ('bench-1', now(), now(), 0)`)
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: as(t, a, "one")}
	if _, err := f.Forward(ctx); !errors.Is(err, lab.ErrVersion) || !strings.Contains(err.Error(), "capctl lab setup") {
		t.Errorf("old tables: %v", err)
	}
	did, err := l.Setup(ctx, lab.Options{}) // that roles are wanted is seen from the tables
	if err != nil || len(did) != 2 || did[0] != "brought the tables from version 2 to 3" {
		t.Fatalf("%q, %v", did, err)
	}
	got := shape(t, a, "capd")
	for i := range min(len(got), len(want)) {
		if got[i] != want[i] {
			t.Errorf("brought up to date: %s\nnew: %s", got[i], want[i])
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d parts, new tables have %d", len(got), len(want))
	}
	same(t, s, l, "bench-1")
	all, err := s.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	if w, err := l.Whole(ctx, all[0].ID); err != nil || w.System.ID != all[0].System {
		t.Errorf("the system of a pass: %+v, %v", w.System, err)
	}
	if err := s.Overrule(ctx, all[0].ID, record.VerdictBad, "the cooler was loose", "mo"); err != nil {
		t.Fatal(err)
	}
	if n, err := f.Forward(ctx); err != nil || n != 3 { // all once more: the lab does not know how far it had come
		t.Errorf("%d sent, %v", n, err)
	}
	same(t, s, l, "bench-1")
	if list, err := l.Status(ctx); err != nil || len(list) != 1 || list[0].Stores != 1 {
		t.Errorf("one machine, before and after: %+v, %v", list, err)
	}
	// Version 1 is tables without roles.
	ask(t, a, "DROP SCHEMA capd CASCADE; CREATE SCHEMA capd; CREATE TABLE capd.version (version integer PRIMARY KEY); INSERT INTO capd.version VALUES (1)")
	script, err := os.ReadFile("testdata/version-1.sql")
	if err != nil {
		t.Fatal(err)
	}
	ask(t, a, string(script))
	if did, err := l.Setup(ctx, lab.Options{}); err != nil || !reflect.DeepEqual(did, []string{"brought the tables from version 1 to 3"}) {
		t.Errorf("%q, %v", did, err)
	}
	ask(t, a, "INSERT INTO capd.version VALUES (99)")
	if _, err := l.Setup(ctx, lab.Options{}); !errors.Is(err, lab.ErrVersion) || !strings.Contains(err.Error(), "update this program") {
		t.Errorf("tables of the future: %v", err)
	}
}

// TestLabIsOlderThanTheBenchThinks: a lab that was made anew at the same address, or comes
// from an older copy, gets what it lacks, and a store that was made anew is sent whole.
func TestLabIsOlderThanTheBenchThinks(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	s := newStore(t)
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: a}
	for i := range 3 {
		add(t, s, "bench-1", i, 0.5)
	}
	send(t, s, "bench-1", a, 3)
	ask(t, a, "CREATE SCHEMA old; CREATE TABLE old.passes AS TABLE capd.passes; CREATE TABLE old.archives AS TABLE capd.archives; CREATE TABLE old.benches AS TABLE capd.benches")
	for i := range 2 {
		add(t, s, "bench-1", 10+i, 0.5)
	}
	send(t, s, "bench-1", a, 2)
	ask(t, a, `TRUNCATE capd.passes, capd.archives, capd.benches; INSERT INTO capd.passes TABLE old.passes;
		INSERT INTO capd.archives TABLE old.archives; INSERT INTO capd.benches TABLE old.benches`)
	if n, err := f.Forward(ctx); err != nil || n != 2 {
		t.Errorf("%d sent to a lab from an older copy, %v", n, err)
	}
	same(t, s, l, "bench-1")
	ask(t, a, "DROP SCHEMA capd CASCADE")
	setup(t, a, false)
	if n, err := f.Forward(ctx); err != nil || n != 5 {
		t.Errorf("%d sent to a lab made anew, %v", n, err)
	}
	same(t, s, l, "bench-1")
	other := newStore(t)
	add(t, other, "bench-1", 20, 0.5)
	send(t, other, "bench-1", a, 1)
	send(t, s, "bench-1", a, 0)
	if list, err := l.Status(ctx); err != nil || len(list) != 1 || list[0].Passes != 6 || list[0].Stores != 2 {
		t.Errorf("two stores of one name: %+v, %v", list, err)
	}
}

func TestNothingToSpreadOver(t *testing.T) {
	a := address(t)
	l, err := lab.Open(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if _, err := l.Setup(ctx, lab.Options{Distributed: true}); !errors.Is(err, lab.ErrAlone) {
		t.Errorf("%v", err)
	}
	if _, err := l.Status(ctx); !errors.Is(err, lab.ErrNotLab) {
		t.Errorf("something was made all the same: %v", err)
	}
}
