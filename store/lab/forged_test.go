package lab_test

import (
	"errors"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"

	"capd.example/internal/testlab/postgres"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

// as is an address with another login.
func as(t testing.TB, address, user string) string {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	u.User = url.User(user)
	return u.String()
}

// rivals makes a lab in which bench-1 has three passes and the bench aaa, whose name sorts
// first, one of its own. Their logins are called one and aaa.
func rivals(t *testing.T) (at string, honest *store.Store, victim record.Pass, own string) {
	t.Helper()
	at = address(t)
	l := setup(t, at, true)
	for role, bench := range map[string]string{"one": "bench-1", "aaa": "aaa"} {
		login(t, at, role)
		if err := l.Assign(ctx, role, bench); err != nil {
			t.Fatal(err)
		}
	}
	honest = newStore(t)
	for _, i := range []int{1, 3, 4} {
		add(t, honest, "bench-1", i, 1)
	}
	rival := newStore(t)
	own = add(t, rival, "aaa", 6, 2)
	send(t, honest, "bench-1", as(t, at, "one"), 3)
	send(t, rival, "aaa", as(t, at, "aaa"), 1)
	list, err := honest.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	return at, honest, list[1], own
}

func send(t testing.TB, s *store.Store, bench, address string, want int) {
	t.Helper()
	if n, err := (&lab.Forwarder{Store: s, Bench: bench, Address: address}).Forward(ctx); err != nil || n != want {
		t.Fatalf("%s: %d sent, %v", bench, n, err)
	}
}

// forge writes the rival's own pass once more under another identity; more changes its
// document, a list of what jsonb_set takes.
func forge(own, id, sha string, frames bool, more ...string) string {
	doc := "convert_from(doc, 'UTF8')::jsonb"
	for _, set := range append([]string{`'{id}', '"` + id + `"'`, `'{sha256}', '"` + sha + `"'`}, more...) {
		doc = "jsonb_set(" + doc + ", " + set + ")"
	}
	text := `INSERT INTO capd.passes SELECT bench, '` + id + `', '` + sha + `', at, revision, verdict, overruled, campaign, cpu, gpu, game, scene,
		resolution, preset, system, frames, avg_fps, low1_fps, p99_ms, tags, convert_to(` + doc + `::text, 'UTF8'), owner FROM capd.passes WHERE id = '` + own + `';`
	if frames {
		text += `INSERT INTO capd.archives SELECT bench, '` + id + `', frames, telemetry, owner FROM capd.archives WHERE id = '` + own + `'`
	}
	return text
}

// TestForgedRows writes rows as the login of a bench may: about another bench, broken, and
// with figures that contradict its frame times. Whatever it is, the answers about the other
// bench stay what that bench's own store says, and what is left out is named.
func TestForgedRows(t *testing.T) {
	const free = "00000000000000000000000000000000000000000000000000000000000000aa"
	doc := func(path, value string) string {
		return "UPDATE capd.passes SET doc = convert_to(jsonb_set(convert_from(doc, 'UTF8')::jsonb, '" + path + "', '" + value + "')::text, 'UTF8')"
	}
	a, honest, victim, own := rivals(t)
	ask(t, a, "CREATE TABLE passes AS TABLE capd.passes; CREATE TABLE archives AS TABLE capd.archives")
	for _, c := range []struct {
		name, write, says string
		keeps             bool // the rival's own pass is still one
	}{
		{"another bench in the document", doc("{bench}", `"bench-1"`), `document says bench "bench-1"`, false},
		{"no document", "UPDATE capd.passes SET doc = ''", "document cannot be read", false},
		{"an empty document", "UPDATE capd.passes SET doc = '{}'", `document says bench ""`, false},
		{"a document without end", "UPDATE capd.passes SET doc = convert_to(repeat(' ', 17000000), 'UTF8')", "more than 16777216 bytes", false},
		{"figures of document and columns", doc("{metrics,avg_fps}", "999") + ", avg_fps = 999", "figures are not those of its frame times: avg_fps is 999", false},
		{"figures of the document", doc("{metrics,avg_fps}", "999"), "columns are not those of its document: avg_fps", false},
		{"a figure without a column", doc("{metrics,median_ms}", "1"), "figures are not those of its frame times: median_ms is 1", false},
		{"the verdict's column", "UPDATE capd.passes SET verdict = 'bad'", `columns are not those of its document: verdict "bad"`, false},
		{"an unknown verdict", doc("{verdict}", `"superb"`) + ", verdict = 'superb'", "is not a verdict", false},
		{"the game's column", "UPDATE capd.passes SET game = 'x'", "columns are not those of its document: game", false},
		{"tags to filter by", `UPDATE capd.passes SET tags = '{"kit": "b"}'`, "columns are not those of its document: tag game", false},
		{"tags that are none", `UPDATE capd.passes SET tags = '[1]'`, "tags are not names with values", false},
		{"no time", "UPDATE capd.passes SET at = 'infinity'", "its time is none", false},
		{"another time", "UPDATE capd.passes SET at = at - interval '1 hour'", "columns are not those of its document: at", false},
		{"a revision out of range", "UPDATE capd.passes SET revision = 9223372036854775807", "columns are not those of its document: revision", false},
		{"frame times that are none", "UPDATE capd.archives SET frames = 'x'", "decode frame times", false},
		{"frame times of no frames", "UPDATE capd.archives SET frames = ''", "decode frame times", false},
		{"an identity of another hash", forge("OWN", "0123456789ab", free, true), "not the identity that belongs to the hash", true},
		{"no frame times", forge("OWN", free[:12], free, false), "no frame times", true},
		{"an outcome that is none", doc("{findings,0,outcome}", `"fine"`), "is not an outcome", false},
		{"the other bench's pass", forge("OWN", "VICTIM", "HASH", true), "bench bench-1 sent this pass first and otherwise, and the answer has that: here it has another frame times", true},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			ask(t, a, `DELETE FROM capd.passes; DELETE FROM capd.archives;
				INSERT INTO capd.passes TABLE passes; INSERT INTO capd.archives TABLE archives`)
			ask(t, as(t, a, "aaa"), strings.NewReplacer("OWN", own, "VICTIM", victim.ID, "HASH", victim.SHA256).Replace(c.write))
			l, err := lab.Open(ctx, a)
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			want, err := honest.Passes(ctx, store.Filter{})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range []store.Filter{{}, {Newest: true}, {Limit: 10}} {
				got, err := l.Passes(ctx, f)
				if err != nil {
					t.Fatal(err)
				}
				if f.Newest {
					slices.Reverse(got)
				}
				his := len(got)
				got = slices.DeleteFunc(got, func(p record.Pass) bool { return p.Bench == "aaa" })
				if his -= len(got); his != map[bool]int{true: 1}[c.keeps] {
					t.Errorf("%+v: the answer has %d passes of the rival", f, his)
				}
				if !reflect.DeepEqual(got, want) {
					t.Errorf("%+v: the other bench's passes are\n%+v, not\n%+v", f, got, want)
				}
			}
			notes, more := l.Notes()
			if len(notes) != 1 || more != 0 || notes[0].Bench != "aaa" || !strings.Contains(notes[0].Why, c.says) {
				t.Errorf("noted %+v and %d more; want one note of bench aaa that says %q", notes, more, c.says)
			}
			whole, err := l.Whole(ctx, victim.ID)
			mine, err2 := honest.Whole(ctx, victim.ID)
			if err != nil || err2 != nil || !reflect.DeepEqual(whole.Pass, mine.Pass) || !reflect.DeepEqual(whole.Frames, mine.Frames) {
				t.Errorf("one pass of the other bench: %v, %v\n%+v", err, err2, whole.Pass)
			}
			if _, err := l.Status(ctx); err != nil {
				t.Error(err)
			}
			if _, err := l.Pass(ctx, own); c.keeps == (err != nil) || !c.keeps && !errors.Is(err, store.ErrCorrupt) {
				t.Errorf("the rival's own pass: %v", err)
			}
		})
	}
}

// TestForgedBeside covers what stands beside passes: systems, samples, what benches say of
// themselves; and a forged row that is in the way of a page.
func TestForgedBeside(t *testing.T) {
	a, honest, victim, own := rivals(t)
	l, err := lab.Open(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	want, err := honest.System(ctx, victim.System)
	if err != nil {
		t.Fatal(err)
	}
	for _, fields := range []string{`[{"name":"processor.name","value":"FORGED","identity":true}]`, `{`, ""} {
		ask(t, as(t, a, "aaa"), "UPDATE capd.systems SET fields = convert_to('"+fields+"', 'UTF8')")
		got, err := l.System(ctx, victim.System)
		if err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: the system is %+v, %v", fields, got, err)
		}
		list, err := l.Systems(ctx)
		if err != nil || len(list) != 1 || list[0].Bench != "bench-1" || !reflect.DeepEqual(list[0].System, want) {
			t.Errorf("%q: systems %+v, %v", fields, list, err)
		}
	}
	ask(t, as(t, a, "aaa"), "UPDATE capd.archives SET telemetry = 'x'; UPDATE capd.benches SET bench_at = 'infinity'")
	if w, err := l.Whole(ctx, own); err != nil || w.Telemetry != nil || w.System.ID != "" {
		t.Errorf("a pass with broken samples and a forged system: %+v, %v", w, err)
	}
	if list, err := l.Status(ctx); err != nil || len(list) != 1 || list[0].Name != "bench-1" {
		t.Errorf("status %+v, %v", list, err)
	}
	notes, _ := l.Notes()
	if len(notes) != 4 {
		t.Errorf("noted %+v", notes)
	}
	for _, n := range notes {
		if n.Bench != "aaa" {
			t.Errorf("noted %+v", n)
		}
	}
	ask(t, as(t, a, "aaa"), "UPDATE capd.passes SET doc = '', at = '1999-01-01'")
	all, err := honest.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for offset := range 3 {
		page, err := l.Passes(ctx, store.Filter{Limit: 1, Offset: offset})
		if err != nil || len(page) != 1 || page[0].ID != all[offset].ID {
			t.Errorf("page %d: %+v, %v", offset, page, err)
		}
	}
}

// TestALoginWritesForItsBenchAlone: nothing that a login writes stands under another bench,
// and none takes an identity from the bench that sent it first.
func TestALoginWritesForItsBenchAlone(t *testing.T) {
	a, _, victim, own := rivals(t)
	login(t, a, "stray")
	insert := func(table, columns, values string) string {
		return "INSERT INTO capd." + table + " (" + columns + ") VALUES (" + values + ")"
	}
	for _, text := range []string{
		"UPDATE capd.passes SET bench = 'bench-1'", "UPDATE capd.passes SET owner = 'one', bench = 'bench-1'", "UPDATE capd.passes SET owner = NULL",
		insert("archives", "bench, id, frames, owner", "'bench-1', 'x', '', 'aaa'"), insert("archives", "bench, id, frames, owner", "'bench-1', 'x', '', 'one'"),
		insert("archives", "bench, id, frames", "'bench-1', 'x', ''"), insert("systems", "bench, id, fields, owner", "'bench-1', 'x', '', 'aaa'"),
		insert("benches", "bench, seen_at, bench_at, backlog, owner", "'bench-9', now(), now(), 0, 'aaa'"),
		insert("firsts", "id, bench, owner", "'"+victim.ID+"', 'aaa', 'aaa'"), insert("firsts", "id, bench, owner", "'new', 'bench-1', 'aaa'"),
		"UPDATE capd.firsts SET bench = 'aaa'", "DELETE FROM capd.firsts", insert("members", "role, bench", "'aaa', 'bench-1'"),
	} {
		if _, err := postgres.Ask(as(t, a, "aaa"), text); err == nil {
			t.Errorf("the login of another bench could %s", text)
		}
	}
	for _, text := range []string{
		insert("systems", "bench, id, fields, owner", "'bench-1', 'x', '', 'stray'"), insert("systems", "bench, id, fields", "'bench-1', 'x', ''"),
		insert("firsts", "id, bench, owner", "'new', 'bench-9', 'stray'"),
	} {
		if _, err := postgres.Ask(as(t, a, "stray"), text); err == nil {
			t.Errorf("a login that belongs to no bench could %s", text)
		}
	}
	if got := ask(t, as(t, a, "aaa"), "SELECT id FROM capd.passes"); !reflect.DeepEqual(got, []string{own}) {
		t.Errorf("it sees %v", got)
	}
	s := newStore(t)
	add(t, s, "bench-1", 9, 1)
	for login, says := range map[string]string{"aaa": `is the login of bench "aaa", and this is "bench-1"`, "stray": "capctl lab assign"} {
		_, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: as(t, a, login)}).Forward(ctx)
		if !errors.Is(err, lab.ErrRefused) || !strings.Contains(err.Error(), says) {
			t.Errorf("%s sent for bench-1: %v", login, err)
		}
	}
}

// TestABenchGetsAnotherLogin: the rows go over to the new login, which changes them.
func TestABenchGetsAnotherLogin(t *testing.T) {
	a, honest, victim, _ := rivals(t)
	l, err := lab.Open(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	login(t, a, "later")
	if err := l.Assign(ctx, "aaa", "bench-1"); !errors.Is(err, lab.ErrRefused) {
		t.Errorf("a login was given to two benches: %v", err)
	}
	if err := l.Assign(ctx, "later", "bench-1"); err != nil {
		t.Fatal(err)
	}
	if err := honest.Overrule(ctx, victim.ID, record.VerdictBad, "the cooler was loose", "mo"); err != nil {
		t.Fatal(err)
	}
	if _, err := (&lab.Forwarder{Store: honest, Bench: "bench-1", Address: as(t, a, "one")}).Forward(ctx); !errors.Is(err, lab.ErrRefused) {
		t.Errorf("the login of before still writes: %v", err)
	}
	send(t, honest, "bench-1", as(t, a, "later"), 1)
	same(t, honest, l, "bench-1")
}

// TestTheOwnerOfTheTablesSends for a bench that has a login of its own: that login goes on
// where the other ended. Rows that are nobody's it may not change, and learns what helps.
func TestTheOwnerOfTheTablesSends(t *testing.T) {
	a := address(t)
	l := setup(t, a, true)
	login(t, a, "one")
	if err := l.Assign(ctx, "one", "bench-1"); err != nil {
		t.Fatal(err)
	}
	s := newStore(t)
	for i := range 3 {
		add(t, s, "bench-1", i, 0.5)
	}
	send(t, s, "bench-1", a, 3)
	send(t, s, "bench-1", as(t, a, "one"), 0)
	add(t, s, "bench-1", 3, 0.5)
	send(t, s, "bench-1", as(t, a, "one"), 1)
	same(t, s, l, "bench-1")
	if got := ask(t, a, "SELECT count(*)::text FROM capd.passes UNION ALL SELECT count(*)::text FROM capd.benches"); !slices.Equal(got, []string{"4", "1"}) {
		t.Errorf("passes and stores: %v", got)
	}
	ask(t, a, "UPDATE capd.passes SET owner = NULL; UPDATE capd.benches SET owner = NULL")
	_, err := (&lab.Forwarder{Store: s, Bench: "bench-1", Address: as(t, a, "one")}).Forward(ctx)
	if !errors.Is(err, lab.ErrRefused) || !strings.Contains(err.Error(), "capctl lab assign") {
		t.Errorf("rows of nobody: %v", err)
	}
	if err := l.Assign(ctx, "one", "bench-1"); err != nil {
		t.Fatal(err)
	}
	send(t, s, "bench-1", as(t, a, "one"), 0)
}

// TestCopiesOfOneLog: a log that was copied to a second bench is one pass, that of the bench
// that sent it first whatever their names are, and what the second says otherwise is noted.
func TestCopiesOfOneLog(t *testing.T) {
	a, honest, victim, _ := rivals(t)
	whole, err := honest.Whole(ctx, victim.ID)
	if err != nil {
		t.Fatal(err)
	}
	second := newStore(t)
	copied := whole
	copied.Pass.Bench, copied.Pass.Log = "aaa", "/copied/log.csv"
	if _, err := second.Save(ctx, copied); err != nil {
		t.Fatal(err)
	}
	judge := func(v record.Verdict) {
		t.Helper()
		if err := second.Finish(ctx, victim.ID, victim.Findings, v); err != nil {
			t.Fatal(err)
		}
	}
	judge(victim.Verdict)
	for round, want := range []string{"", "verdict (clean, not bad)"} {
		send(t, second, "aaa", as(t, a, "aaa"), 1)
		l, err := lab.Open(ctx, a)
		if err != nil {
			t.Fatal(err)
		}
		got, err := l.Passes(ctx, store.Filter{})
		if err != nil || len(got) != 4 {
			t.Errorf("%d passes, %v", len(got), err)
		}
		if by, err := l.Batches(ctx, store.Filter{}); err != nil || len(by) != 1 || by[0].Passes != 4 {
			t.Errorf("counted by campaign: %+v, %v", by, err)
		}
		for _, p := range got {
			if p.ID == victim.ID && p.Bench != "bench-1" {
				t.Errorf("the copy stands for the pass")
			}
		}
		notes, _ := l.Notes()
		if want == "" && len(notes) > 0 || want != "" && (len(notes) != 1 || !strings.HasSuffix(notes[0].Why, "another "+want)) {
			t.Errorf("round %d: noted %+v", round, notes)
		}
		l.Close()
		if err := second.Overrule(ctx, victim.ID, record.Clean, "looked at it", "mo"); round == 0 && err != nil {
			t.Fatal(err)
		}
	}
}

// TestCopiesAmongTheBenchesAskedFor: a pass stands once among the benches that a filter
// names, by a pattern or one by one, also where the bench that sent it first is none of them.
func TestCopiesAmongTheBenchesAskedFor(t *testing.T) {
	a := address(t)
	l := setup(t, a, false)
	own := newStore(t)
	id := add(t, own, "bench-1", 1, 0.2)
	whole, err := own.Whole(ctx, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, bench := range []string{"bench-1", "copy-1", "copy-2"} {
		s := newStore(t)
		whole.Pass.Bench, whole.Pass.Log = bench, "/logs/of-"+bench+".csv"
		if _, err := s.Save(ctx, whole); err != nil {
			t.Fatal(err)
		}
		if err := s.Finish(ctx, id, whole.Pass.Findings, record.Clean); err != nil {
			t.Fatal(err)
		}
		send(t, s, bench, a, 1)
	}
	for _, c := range []struct {
		f    store.Filter
		want string
	}{
		{store.Filter{}, "bench-1"},
		{store.Filter{Bench: "*"}, "bench-1"},
		{store.Filter{Bench: "copy-2"}, "copy-2"},
		{store.Filter{Benches: []string{"copy-2"}}, "copy-2"},
		{store.Filter{Bench: "copy-*"}, "copy-1"},
		{store.Filter{Benches: []string{"copy-2", "copy-1"}}, "copy-1"},
		{store.Filter{Benches: []string{"copy-2", "bench-1"}}, "bench-1"},
		{store.Filter{Bench: "copy-*", Benches: []string{"bench-1", "copy-2"}}, "copy-2"},
	} {
		list, err := l.Passes(ctx, c.f)
		if err != nil || len(list) != 1 || list[0].Bench != c.want {
			t.Errorf("%+v: %d passes %+v, %v; want that of %s", c.f, len(list), list, err, c.want)
		}
		if by, err := l.Batches(ctx, c.f); err != nil || len(by) != 1 || by[0].Passes != 1 {
			t.Errorf("%+v: counted %+v, %v", c.f, by, err)
		}
	}
}

// login makes a login of an agent where no test before has.
func login(t testing.TB, address, name string) {
	t.Helper()
	ask(t, address, "DO $$ BEGIN CREATE ROLE "+name+" LOGIN IN ROLE capd_agent; EXCEPTION WHEN duplicate_object THEN NULL; END $$")
}
