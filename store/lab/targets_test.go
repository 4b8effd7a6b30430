//go:build linux

package lab_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"reflect"
	"strings"
	"sync"
	"testing"

	"capd.example/internal/testlab/postgres"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// anyLab names an engine of the tester's own: the address of an empty database on which the
// same must hold as on PostgreSQL. Its schema capd is made and dropped.
const anyLab = "CAPD_TEST_LAB"

// pooler is started once, in front of the server of all tests.
var pooler = sync.OnceValues(func() (int, error) {
	s, err := server()
	if err != nil {
		return 0, err
	}
	return s.Pool("admin", "one", "two")
})

// TestTargets sends, corrects and reads on every kind of server that a lab may have: the
// same steps, and answers that are those of the benches' own stores.
func TestTargets(t *testing.T) {
	t.Run("postgresql", func(t *testing.T) {
		a := address(t)
		login(t, a, "one")
		login(t, a, "two")
		holds(t, a, true)
	})
	pooled := func(t *testing.T) string {
		a := address(t)
		s, _ := server()
		port, err := pooler()
		if errors.Is(err, postgres.ErrNoPooler) {
			t.Skip(err)
		}
		if err != nil {
			t.Fatal(err)
		}
		return strings.Replace(a, fmt.Sprint(":", s.Port, "/"), fmt.Sprint(":", port, "/"), 1)
	}
	t.Run("pgbouncer", func(t *testing.T) { holds(t, pooled(t), true) })
	t.Run("pgbouncer-and-statements-with-names", func(t *testing.T) { // as an address may want them
		holds(t, pooled(t)+"&default_query_exec_mode=cache_statement", true)
	})
	t.Run("any", func(t *testing.T) {
		a := os.Getenv(anyLab)
		if a == "" {
			t.Skip("no engine is named: set " + anyLab + "=postgres://... to the address of an empty database")
		}
		if got, err := postgres.Ask(a, "SELECT count(*) FROM information_schema.schemata WHERE schema_name = 'capd'"); err != nil || got[0] != "0" {
			t.Fatalf("%s must name an empty database, without a schema capd: %v, %v", anyLab, got, err)
		}
		t.Cleanup(func() { postgres.Ask(a, "DROP SCHEMA capd CASCADE") })
		holds(t, a, false)
	})
}

// holds sends from two benches at once, twice over, corrects, and compares. Logins of their
// own are used where the server is the test's own.
func holds(t *testing.T, admin string, logins bool) {
	l, err := lab.Open(ctx, admin)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	spread, err := postgres.Ask(admin, "SELECT extname FROM pg_extension WHERE extname = 'citus'")
	if err != nil {
		t.Logf("whether it is a cluster is not known: %v", err)
	}
	o := lab.Options{Roles: true, Distributed: len(spread) > 0}
	did, err := l.Setup(ctx, o)
	if err != nil && !logins { // an engine may have no row-level security
		t.Logf("with roles: %v", err)
		o.Roles = false
		did, err = l.Setup(ctx, o)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("set up: %q", did)
	benches := []*bench{{name: "bench-1", login: "one"}, {name: "bench-2", login: "two"}}
	for i, b := range benches {
		b.store, b.address = newStore(t), admin
		if logins {
			login(t, admin, b.login)
			if err := l.Assign(ctx, b.login, b.name); err != nil {
				t.Fatal(err)
			}
			b.address = as(t, admin, b.login)
		}
		for k := range 10 {
			add(t, b.store, b.name, 10*i+k, 0.5)
		}
	}
	if logins {
		ask(t, admin, `CREATE TABLE limits (value text); CREATE FUNCTION note() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS
			'BEGIN INSERT INTO public.limits VALUES (current_setting(''statement_timeout'')); RETURN NULL; END';
			CREATE TRIGGER note AFTER INSERT OR UPDATE ON capd.passes EXECUTE FUNCTION note()`)
	}
	all(t, benches, 10)
	for _, b := range benches { // everything again, as after a bench lost its mark
		if err := b.store.SetSetting(ctx, "lab mark "+l.Name(), "0"); err != nil {
			t.Fatal(err)
		}
	}
	all(t, benches, 10)
	if logins {
		if got := ask(t, admin, "SELECT DISTINCT value FROM limits"); !reflect.DeepEqual(got, []string{"1min"}) {
			t.Errorf("time limits of the sendings: %v", got)
		}
		ask(t, admin, "DROP TRIGGER note ON capd.passes")
	}
	equal(t, l, benches)
	first, err := benches[0].store.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	// A correction, and a log that was copied to the other bench.
	if err := benches[0].store.Overrule(ctx, first[0].ID, record.VerdictBad, "the cooler was loose", "mo"); err != nil {
		t.Fatal(err)
	}
	send(t, benches[0].store, "bench-1", benches[0].address, 1)
	equal(t, l, benches)
	whole, err := benches[0].store.Whole(ctx, first[1].ID)
	if err != nil {
		t.Fatal(err)
	}
	whole.Pass.Bench = "bench-2"
	if _, err := benches[1].store.Save(ctx, whole); err != nil {
		t.Fatal(err)
	}
	if err := benches[1].store.Finish(ctx, first[1].ID, first[1].Findings, record.VerdictDoubtful); err != nil {
		t.Fatal(err)
	}
	send(t, benches[1].store, "bench-2", benches[1].address, 1)
	once, err := l.Passes(ctx, store.Filter{})
	if err != nil || len(once) != 20 {
		t.Errorf("%d passes, %v", len(once), err)
	}
	if by, err := l.Batches(ctx, store.Filter{}); err != nil || len(by) != 1 || by[0].Passes != 20 {
		t.Errorf("by campaign: %+v, %v", by, err)
	}
	if p, err := l.Pass(ctx, first[1].ID); err != nil || p.Bench != "bench-1" || p.Verdict != first[1].Verdict {
		t.Errorf("the pass that both hold: %+v, %v", p, err)
	}
	// A row that is none.
	broken, err := benches[1].store.Passes(ctx, store.Filter{Limit: 1, Newest: true})
	if err == nil {
		_, err = postgres.Ask(benches[1].address, "UPDATE capd.passes SET doc = '{' WHERE bench = 'bench-2' AND id = '"+broken[0].ID+"'")
	}
	if err != nil {
		t.Fatal(err)
	}
	if rest, err := l.Passes(ctx, store.Filter{}); err != nil || len(rest) != 19 {
		t.Errorf("beside a broken row: %d passes, %v", len(rest), err)
	}
	if notes, _ := l.Notes(); len(notes) != 2 {
		t.Errorf("noted: %+v", notes)
	}
}

// bench is one of the benches that send to a target.
type bench struct {
	name, login, address string
	store                *store.Store
}

// all sends from all benches at once.
func all(t *testing.T, benches []*bench, want int) {
	t.Helper()
	var group sync.WaitGroup
	for _, b := range benches {
		group.Go(func() {
			f := &lab.Forwarder{Store: b.store, Bench: b.name, Address: b.address, Batch: 3}
			if n, err := f.Forward(ctx); err != nil || n != want {
				t.Errorf("%s: %d sent, %v", b.name, n, err)
			}
		})
	}
	group.Wait()
	if t.Failed() {
		t.FailNow()
	}
}

// equal compares what commands ask of a store with the lab's answer, bit for bit as JSON
// holds it, for every bench, and over all.
func equal(t *testing.T, l *lab.Lab, benches []*bench) {
	t.Helper()
	text := func(v any, err error) string {
		if err != nil {
			t.Fatal(err)
		}
		out, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		return strings.ReplaceAll(string(out), `\ufffd`, "\ufffd") // what is no UTF-8 becomes a sign that is
	}
	total := 0
	for _, b := range benches {
		f := store.Filter{Bench: b.name}
		list, err := b.store.Passes(ctx, f)
		if here, there := text(list, err), text(l.Passes(ctx, f)); here != there {
			t.Fatalf("%s has\n%s\nthe lab\n%s", b.name, here, there)
		}
		total += len(list)
		if here, there := text(b.store.Batches(ctx, f)), text(l.Batches(ctx, f)); here != there {
			t.Errorf("%s counts %s, the lab %s", b.name, here, there)
		}
		for _, p := range list {
			mine, err := b.store.Whole(ctx, p.ID)
			its, err2 := l.Whole(ctx, p.ID[:11])
			if err != nil || err2 != nil || !reflect.DeepEqual(mine.Frames, its.Frames) || !reflect.DeepEqual(mine.Telemetry, its.Telemetry) ||
				!reflect.DeepEqual(mine.System, its.System) {
				t.Fatalf("pass %s of %s: %v, %v", p.ID, b.name, err, err2)
			}
		}
	}
	if list, err := l.Passes(ctx, store.Filter{}); err != nil || len(list) != total {
		t.Errorf("%d passes in all, want %d; %v", len(list), total, err)
	}
	if list, err := l.Systems(ctx); err != nil || len(list) != len(benches) {
		t.Errorf("systems %+v, %v", list, err)
	}
	status, err := l.Status(ctx)
	if err != nil || len(status) != len(benches) {
		t.Fatalf("status %+v, %v", status, err)
	}
	for _, b := range status {
		if b.Passes != total/len(benches) || b.Backlog != 0 || b.Stores != 1 {
			t.Errorf("status %+v", b)
		}
	}
	if notes, _ := l.Notes(); len(notes) > 0 {
		t.Errorf("noted: %+v", notes)
	}
}

// TestStandbyTakesOver stops the first server in the middle of a batch and promotes its
// standby, which had not heard of the last batches that were acknowledged. Nothing is lost
// and nothing is there twice.
func TestStandbyTakesOver(t *testing.T) {
	first, err := postgres.Begin()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(first.End)
	a, err := first.Create("lab")
	if err != nil {
		t.Fatal(err)
	}
	setup(t, a, false).Close()
	ask(t, a, `CREATE FUNCTION hold() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN PERFORM pg_advisory_xact_lock_shared(7); RETURN NULL; END';
		CREATE CONSTRAINT TRIGGER hold AFTER INSERT OR UPDATE ON capd.benches DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION hold()`)
	second, err := first.Standby()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(second.End)
	both := strings.Replace(a, fmt.Sprint(":", first.Port, "/"), fmt.Sprintf(":%d,127.0.0.1:%d/", first.Port, second.Port), 1) + "&target_session_attrs=read-write"
	s := newStore(t)
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: both, Batch: 2}
	n := 0
	more := func(count int) {
		t.Helper()
		for range count {
			add(t, s, "bench-1", n, 0.5)
			n++
		}
	}
	more(4)
	send(t, s, "bench-1", both, 4)
	standby := second.Address("lab", "admin")
	until(t, "the standby has the first passes", func() bool { return ask(t, standby, "SELECT count(*)::text FROM capd.passes")[0] == "4" })
	ask(t, standby, "ALTER SYSTEM SET primary_conninfo = ''")
	ask(t, standby, "SELECT pg_reload_conf()")
	until(t, "the standby follows no more", func() bool { return ask(t, standby, "SELECT count(*)::text FROM pg_stat_wal_receiver")[0] == "0" })
	more(4)
	send(t, s, "bench-1", both, 4) // acknowledged, and the standby does not know
	more(4)
	c := holdOpen(t, a, "SELECT pg_advisory_xact_lock(7)")
	defer c.Close(ctx)
	ended := make(chan error, 1)
	go func() { _, err := f.Forward(ctx); ended <- err }()
	until(t, "a batch is being stored", func() bool {
		return ask(t, a, "SELECT count(*)::text FROM pg_stat_activity WHERE application_name = 'capd' AND wait_event_type = 'Lock'")[0] != "0"
	})
	if err := first.Stop(); err != nil {
		t.Fatal(err)
	}
	if err := second.Promote(); err != nil {
		t.Fatal(err)
	}
	t.Logf("the sending that was cut: %v", <-ended)
	until(t, "the standby has taken all", func() bool {
		_, err := f.Forward(ctx)
		if err != nil {
			t.Log(err)
		}
		return err == nil
	})
	l, err := lab.Open(ctx, both)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	equal(t, l, []*bench{{name: "bench-1", store: s}})
	if got := ask(t, standby, "SELECT count(*)::text FROM capd.passes"); got[0] != fmt.Sprint(n) {
		t.Errorf("the standby has %s passes, the bench %d", got[0], n)
	}
}

// TestTriedAgainAtOnce: what the server says of the moment is no failure of a sending, and
// what stays is.
func TestTriedAgainAtOnce(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	s := newStore(t)
	ask(t, a, `CREATE SEQUENCE tried; CREATE TABLE fail (code text, times int); INSERT INTO fail VALUES ('', 0);
		CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $$ DECLARE f fail; BEGIN SELECT * INTO f FROM fail;
			IF nextval('tried') > f.times THEN RETURN NULL; END IF;
			IF f.code = '57P01' THEN PERFORM pg_terminate_backend(pg_backend_pid()); END IF;
			RAISE EXCEPTION 'not now' USING ERRCODE = f.code; END $$;
		CREATE CONSTRAINT TRIGGER fail AFTER INSERT OR UPDATE ON capd.passes DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION fail()`)
	for i, c := range []struct {
		code  string
		times int
		fails bool
	}{{"40001", 2, false}, {"40P01", 3, false}, {"57P01", 1, false}, {"08006", 2, false}, {"40001", 4, true}, {"22012", 1, true}} {
		ask(t, a, fmt.Sprintf("UPDATE fail SET code = '%s', times = %d; ALTER SEQUENCE tried RESTART", c.code, c.times))
		add(t, s, "bench-1", i, 0.2)
		_, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: a}).Forward(ctx)
		if (err != nil) != c.fails {
			t.Errorf("%s, %d times: %v", c.code, c.times, err)
		}
	}
	ask(t, a, "UPDATE fail SET times = 0")
	if _, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: a}).Forward(ctx); err != nil {
		t.Fatal(err)
	}
	same(t, s, l, "bench-1")
}
