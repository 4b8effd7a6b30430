//go:build linux

package faults

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// bench is a folder with a configuration, a store and a watched folder.
type bench struct {
	t    *testing.T
	dir  string
	bins string
}

func (b bench) path(name string) string { return filepath.Join(b.dir, name) }

// onDisk are the files and folders whose calls are counted and fail.
func (b bench) onDisk() []string {
	var out []string
	for _, name := range []string{"data", "data/passes.db", "data/passes.db-wal", "data/passes.db-shm", "data/passes.db-journal", "logs/short.csv",
		"copy.db", "copy.db.part", "copy.db.part-wal", "copy.db.part-shm", "copy.db.part-journal", "."} {
		out = append(out, filepath.Clean(b.path(name)))
	}
	return out
}

func (b bench) program(name string, args ...string) []string {
	return append([]string{filepath.Join(b.bins, name), "--config", b.path("capd.toml")}, args...)
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// do runs a program that must do its work.
func (b bench) do(name string, args ...string) string {
	b.t.Helper()
	c := b.program(name, args...)
	cmd := exec.Command(c[0], c[1:]...)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		b.t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, errs.String())
	}
	return out.String()
}

func (b bench) configure(more string) {
	b.t.Helper()
	text := fmt.Sprintf("bench = \"b\"\ndata = %q\nwatch = %q\n[expect]\nduration_s = 20\n[files]\nquiet_s = 0.05\n[checks]\noff = [\"background\"]\n%s", b.path("data"), b.path("logs"), more)
	must(b.t, os.MkdirAll(b.path("logs"), 0o755))
	must(b.t, os.WriteFile(b.path("capd.toml"), []byte(text), 0o644))
}

// log puts a log into the watched folder.
func (b bench) log(name string, seed uint64, seconds float64) {
	b.t.Helper()
	s := testlab.Scene{Seed: seed, FPS: 60, Seconds: seconds, Load: 1, Hitches: -1}
	must(b.t, os.WriteFile(b.path("logs/"+name), testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644))
}

// agent runs the agent until all n logs are stored and told, or nothing more is to come.
func (b bench) agent(n int) {
	b.t.Helper()
	c := b.program("capd", "run")
	cmd := exec.Command(c[0], c[1:]...)
	var errs strings.Builder
	cmd.Stderr = &errs
	cmd.WaitDelay = 10 * time.Second // a validator that outlives it holds the pipe
	must(b.t, cmd.Start())
	ctx, stop := context.WithTimeout(b.t.Context(), time.Minute)
	defer stop()
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait(); stop() }()
	b.await(ctx, n)
	b.answers(ctx)
	if ctx.Err() != nil {
		b.t.Errorf("not all of %d passes were stored and told by an agent that nothing disturbs", n)
	}
	cmd.Process.Signal(os.Interrupt)
	hung := time.AfterFunc(time.Minute, func() { cmd.Process.Kill() })
	if err := <-ended; err != nil || !hung.Stop() {
		b.t.Errorf("the agent that nothing disturbs ended with %v: %s", err, errs.String())
	}
}

// answers waits until an agent answers: an interrupt that comes before is lost where this
// test itself was started with interrupts ignored, as a shell starts what runs in the background.
func (b bench) answers(ctx context.Context) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		if c, err := control.Dial(ctx, b.path("data")); err == nil {
			_, err = c.Status(ctx)
			c.Close()
			if err == nil {
				return
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// await waits until n passes are stored and told.
func (b bench) await(ctx context.Context, n int) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		s, err := store.Open(ctx, b.path("data/passes.db"), store.Options{ReadOnly: true})
		if err != nil {
			continue
		}
		passes, err := s.Passes(ctx, store.Filter{})
		left, err2 := s.Unfinished(ctx)
		due, err3 := s.Undelivered(ctx)
		s.Close()
		if errors.Join(err, err2, err3) == nil && len(passes) >= n && len(left) == 0 && due == 0 {
			return
		}
	}
}

// whole opens the store, demands that every part of it can be read, and returns its passes.
func (b bench) whole(path string) (passes []record.Pass, err error) {
	ctx := b.t.Context()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	r, err := s.Verify(ctx)
	if err != nil {
		return nil, err
	}
	if len(r.Problems) > 0 || r.Whole != r.Passes {
		return nil, fmt.Errorf("%s is not whole: %+v", path, r)
	}
	return s.Passes(ctx, store.Filter{})
}

// scenario is something whose write path is made to fail everywhere.
type scenario struct {
	name    string
	checked string // what each run is checked for
	prepare func(b bench)
	command func(b bench) []string
	until   func(b bench) func(context.Context) // ends a program that does not end by itself
	check   func(b bench, got traced) error     // after each run
	sample  int                                 // runs of the short version for each fault
}

// scenarios in the order in which they can be prepared from the same passes.
func scenarios() []scenario {
	return []scenario{
		{
			name:    "taking in a pass",
			checked: "nothing told of what is not stored; after a restart stored once, judged, told with one identity; whole",
			prepare: func(b bench) {
				b.configure(fmt.Sprintf("[notify]\ncommand = [\"/bin/sh\", \"-c\", \"cat >> %s; echo >> %[1]s\"]\n", b.path("told")))
				b.log("whole.csv", 1, 20)
				b.agent(1)
				b.log("short.csv", 2, 8)
			},
			command: func(b bench) []string { return b.program("capd", "run") },
			until: func(b bench) func(context.Context) {
				return func(ctx context.Context) {
					ctx, stop := context.WithTimeout(ctx, 4*time.Second) // then the restart must do it
					defer stop()
					b.await(ctx, 2)
					b.answers(ctx)
				}
			},
			check:  checkIntake,
			sample: 1,
		},
		{
			name:    "a correction",
			checked: "done means done, else the tag is old or new; what follows from it for the passes of both cells is found by the next command, or by the agent once the time of the one that was cut short is over; whole",
			prepare: withCells,
			command: func(b bench) []string { return b.program("capctl", "tag", b.pass("c.csv"), "game=one") },
			check:   checkCorrection(),
			sample:  2,
		},
		{
			name:    "a verdict by hand",
			checked: "done means done, else the verdict is old or new; whole",
			prepare: withPasses,
			command: func(b bench) []string {
				return b.program("capctl", "overrule", b.some(), "doubtful", "--why", "I looked")
			},
			check: func(b bench, got traced) error {
				return b.onePass(got, func(p record.Pass) bool { return p.Verdict == record.VerdictDoubtful && p.Overruled == "I looked" })
			},
			sample: 2,
		},
		{
			name:    "an import",
			checked: "done means all are there, else none twice; whole; a second import completes it",
			prepare: func(b bench) {
				withPasses(b)
				b.do("capctl", "export", "--format", "jsonl", "--out", b.path("package"))
				must(b.t, os.RemoveAll(b.path("data")))
				b.do("capctl", "import", b.empty())
			},
			command: func(b bench) []string { return b.program("capctl", "import", b.path("package")) },
			check:   checkImport,
			sample:  2,
		},
		{
			name:    "a backup",
			checked: "done means that it opens whole with all passes, else nothing of that name or a whole one; a second one succeeds; the store is whole",
			prepare: withPasses,
			command: func(b bench) []string { return b.program("capctl", "backup", b.path("copy.db")) },
			check:   checkBackup,
			sample:  2,
		},
		{
			name:    "a migration",
			checked: "done means the latest version, else one version or the other, whole; the next start completes it with all passes",
			prepare: func(b bench) {
				b.configure("")
				must(b.t, os.MkdirAll(b.path("data"), 0o700))
				must(b.t, unzip(filepath.Join(testlab.Root(), "store/testdata/version4.db.gz"), b.path("data/passes.db")))
			},
			command: func(b bench) []string { return b.program("capctl", "passes", "--json") },
			check:   checkMigration,
			sample:  2,
		},
	}
}

const known = 2 // passes that are stored before

func withPasses(b bench) {
	b.configure("")
	b.log("whole.csv", 1, 20)
	b.log("short.csv", 2, 8)
	b.agent(known)
}

// empty is a package without passes: importing it makes a store.
func (b bench) empty() string {
	b.t.Helper()
	other := bench{b.t, b.path("other"), b.bins}
	must(b.t, os.MkdirAll(other.dir, 0o755))
	other.configure("")
	other.agent(0)
	other.do("capctl", "export", "--format", "jsonl", "--out", b.path("nothing"))
	return b.path("nothing")
}

// withCells stores passes of two cells: a is alone in its own, b and c disagree in theirs.
func withCells(b bench) {
	b.configure("[tags]\npaths = [\"{game}.{*}.csv\"]\n")
	for i, log := range []struct {
		name string
		fps  float64
	}{{"one.a.csv", 60}, {"two.b.csv", 60}, {"two.c.csv", 40}} {
		s := testlab.Scene{Seed: uint64(i), FPS: log.fps, Seconds: 20, Load: 1, Hitches: -1}
		must(b.t, os.WriteFile(b.path("logs/"+log.name), testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644))
	}
	b.agent(3)
}

// some names the pass of the short log.
func (b bench) some() string { return b.pass("short.csv") }

// pass names the pass of the log with that end.
func (b bench) pass(log string) string {
	b.t.Helper()
	s, err := store.Open(b.t.Context(), b.path("data/passes.db"), store.Options{ReadOnly: true})
	must(b.t, err)
	defer s.Close()
	passes, err := s.Passes(b.t.Context(), store.Filter{})
	must(b.t, err)
	for _, p := range passes {
		if strings.HasSuffix(p.Log, log) {
			return p.ID
		}
	}
	b.t.Fatalf("the pass of %s is not stored", log)
	return ""
}

func checkIntake(b bench, _ traced) error {
	ids, err := told(b.path("told"))
	if err != nil {
		return err
	}
	for pass := range ids { // before anything is started again
		s, err := store.Open(b.t.Context(), b.path("data/passes.db"), store.Options{ReadOnly: true})
		if err != nil {
			return err
		}
		p, err := s.Pass(b.t.Context(), pass)
		s.Close()
		if err != nil || p.Verdict != record.VerdictBad {
			return fmt.Errorf("pass %s was told and is %q in the store: %v", pass, p.Verdict, err)
		}
	}
	b.agent(2)
	passes, err := b.whole(b.path("data/passes.db"))
	if err != nil {
		return err
	}
	if len(passes) != 2 {
		return fmt.Errorf("%d passes are stored of 2 logs", len(passes))
	}
	if ids, err = told(b.path("told")); err != nil {
		return err
	}
	for _, p := range passes {
		if filepath.Base(p.Log) != "short.csv" {
			continue
		}
		if p.Verdict != record.VerdictBad {
			return fmt.Errorf("the short log is %s", p.Verdict)
		}
		if n := len(ids[p.ID]); n != 1 {
			return fmt.Errorf("the bad pass was told under %d identities", n)
		}
	}
	return nil
}

// told returns the identities of the alerts about each bad pass that the command got.
func told(path string) (map[string][]string, error) {
	data, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	out := map[string][]string{}
	for line := range strings.Lines(string(data)) {
		var a struct {
			ID    string // of the pass
			Alert struct{ ID, Kind string }
		}
		if json.Unmarshal([]byte(line), &a) == nil && a.Alert.Kind == "bad-pass" && !slices.Contains(out[a.ID], a.Alert.ID) {
			out[a.ID] = append(out[a.ID], a.Alert.ID)
		}
	}
	return out, nil
}

// onePass checks what a command did to one pass.
func (b bench) onePass(got traced, done func(record.Pass) bool) error {
	passes, err := b.whole(b.path("data/passes.db"))
	if err != nil {
		return err
	}
	if len(passes) != known {
		return fmt.Errorf("%d passes are stored, there were %d", len(passes), known)
	}
	is := slices.ContainsFunc(passes, done)
	if got.status == 0 && !is {
		return errors.New("the command said that it was done and it is not")
	}
	return nil
}

// checkCorrection checks that c is in one cell or the other, and that the verdicts follow.
func checkCorrection() func(b bench, got traced) error {
	turn := 0
	return func(b bench, got traced) error {
		path := b.path("data/passes.db")
		passes, err := b.whole(path)
		if err != nil {
			return err
		}
		moved := slices.ContainsFunc(passes, func(p record.Pass) bool {
			return strings.HasSuffix(p.Log, "c.csv") && p.Tags["game"] == record.Tag{Value: "one", From: record.FromHand}
		})
		if got.status == 0 && !moved {
			return errors.New("the command said that it was done and it is not")
		}
		who := "the agent"
		if turn++; turn%2 == 0 {
			who = "recheck"
			b.do("capctl", "recheck", "--apply", "--why", "the power failed", b.pass("a.csv"))
		} else {
			s, err := store.Open(b.t.Context(), path, store.Options{Now: func() time.Time { return time.Now().Add(store.HoldFor) }})
			if err == nil {
				err = errors.Join(s.Hold(b.t.Context(), ""), s.Release(b.t.Context(), ""), s.Close()) // which forgets those that ended
			}
			if err != nil {
				return err
			}
			b.agent(3)
		}
		if passes, err = b.whole(path); err != nil {
			return err
		}
		want := map[string]record.Verdict{"one.a.csv": record.Clean, "two.b.csv": record.VerdictDoubtful, "two.c.csv": record.VerdictDoubtful}
		if moved {
			want["one.a.csv"], want["two.b.csv"] = want["two.b.csv"], want["one.a.csv"]
		}
		for _, p := range passes {
			if p.Verdict != want[filepath.Base(p.Log)] {
				return fmt.Errorf("after %s, with c moved: %t, %s is %s: %+v", who, moved, p.Log, p.Verdict, p.Findings)
			}
		}
		return nil
	}
}

func checkImport(b bench, got traced) error {
	passes, err := b.whole(b.path("data/passes.db"))
	if err != nil {
		return err
	}
	if len(passes) > known || got.status == 0 && len(passes) != known {
		return fmt.Errorf("status %d, and %d of %d passes are there", got.status, len(passes), known)
	}
	b.do("capctl", "import", b.path("package"))
	if passes, err = b.whole(b.path("data/passes.db")); err == nil && len(passes) != known {
		err = fmt.Errorf("%d of %d passes are there after a second import", len(passes), known)
	}
	return err
}

func checkBackup(b bench, got traced) error {
	if _, err := b.whole(b.path("data/passes.db")); err != nil {
		return err
	}
	_, err := os.Stat(b.path("copy.db"))
	if err != nil && got.status == 0 {
		return errors.New("the command said that it was done and there is no backup")
	}
	if err != nil {
		b.do("capctl", "backup", b.path("copy.db"))
	}
	passes, err := b.whole(b.path("copy.db"))
	if err == nil && len(passes) != known {
		err = fmt.Errorf("%d of %d passes are in the backup", len(passes), known)
	}
	return err
}

func checkMigration(b bench, got traced) error {
	for _, form := range []string{"fresh", "again"} {
		passes, err := b.whole(b.path("data/passes.db"))
		if err != nil {
			return fmt.Errorf("%s: %w", form, err)
		}
		if want := migrated(b); len(passes) != want {
			return fmt.Errorf("%s: %d passes are stored, there were %d", form, len(passes), want)
		}
	}
	return nil
}

// migrated returns how many passes the old store has.
func migrated(b bench) int {
	path := filepath.Join(b.t.TempDir(), "passes.db")
	must(b.t, unzip(filepath.Join(testlab.Root(), "store/testdata/version4.db.gz"), path))
	s, err := store.Open(b.t.Context(), path, store.Options{})
	must(b.t, err)
	defer s.Close()
	n, err := s.Count(b.t.Context(), store.Filter{})
	must(b.t, err)
	return n
}

func unzip(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	z, err := gzip.NewReader(in)
	if err != nil {
		return err
	}
	data, err := io.ReadAll(z)
	if err != nil {
		return err
	}
	return os.WriteFile(to, data, 0o600)
}

var built struct {
	once sync.Once
	dir  string
}

func TestMain(m *testing.M) {
	status := m.Run()
	if built.dir != "" {
		os.RemoveAll(built.dir)
	}
	os.Exit(status)
}

// programs returns the folder of capd and capctl, which the first call builds.
func programs(t *testing.T) string {
	t.Helper()
	built.once.Do(func() { built.dir = build(t) })
	if built.dir == "" {
		t.Skip("the programs could not be built")
	}
	return built.dir
}

func build(t *testing.T) string {
	t.Helper()
	bins, err := os.MkdirTemp("", "capd-faults-")
	must(t, err)
	build := exec.Command("go", "build", "-o", bins, "capd.example/cmd/capd", "capd.example/cmd/capctl")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build the programs: %v\n%s", err, out)
	}
	return bins
}

// TestEveryCallFails makes every call of a write path fail: once, from then on, and as the
// last before a kill. The short version tries some of them, spread over all; with
// CAPD_LONG=1 all are tried.
func TestEveryCallFails(t *testing.T) {
	needsStrace(t)
	bins := programs(t)
	for _, sc := range scenarios() {
		t.Run(strings.ReplaceAll(sc.name, " ", "-"), func(t *testing.T) {
			runs, hits := 0, map[string]int{}
			blank := sc.blank(t, bins)
			clean := sc.run(t, blank, "")
			if clean.status != 0 {
				t.Fatalf("undisturbed, it ends with %d: %s", clean.status, clean.stderr)
			}
			calls := 0
			for _, n := range clean.calls {
				calls += n[writeCalls]
			}
			all := sc.chosen(t, clean)
			todo := make(chan chosen, len(all))
			for _, at := range all {
				todo <- at
			}
			close(todo)
			began := time.Now()
			var counts sync.Mutex
			t.Run("runs", func(t *testing.T) {
				for w := range 1 + len(all)/20 { // most of a run is waiting, so that some go side by side
					if w == abreast {
						break
					}
					t.Run(strconv.Itoa(w), func(t *testing.T) {
						t.Parallel()
						blank := blank
						if w > 0 {
							blank = sc.blank(t, bins)
						}
						for at := range todo {
							got := sc.run(t, blank, at.fault.at(at.k))
							counts.Lock()
							if runs++; len(got.hit) > 0 {
								hits[at.fault.name]++
							}
							if runs%50 == 0 {
								t.Logf("%d of %d runs after %s", runs, len(all), time.Since(began).Round(time.Second))
							}
							counts.Unlock()
						}
					})
				}
			})
			t.Logf("%d calls of the write path; %d runs, a call failed in %v; checked: %s", calls, runs, hits, sc.checked)
			if len(hits) < len(faults)/2 {
				t.Errorf("hardly any call failed: %v", hits)
			}
		})
	}
}

// abreast is how many runs go side by side at most.
const abreast = 3

// blank prepares a bench of the scenario.
func (sc scenario) blank(t *testing.T, bins string) bench {
	t.Helper()
	b := bench{t, filepath.Join(t.TempDir(), "bench"), bins}
	must(t, os.MkdirAll(b.dir, 0o755))
	sc.prepare(b)
	return b
}

type chosen struct {
	fault fault
	k     int
}

// chosen are the faults to try, at each call that a thread makes when nothing fails; in
// the short version at some of them, elsewhere for each fault, and of the earlier half, which
// a thread reaches however the calls are spread over threads this time.
func (sc scenario) chosen(t *testing.T, clean traced) (out []chosen) {
	for i, f := range faults {
		most := 0
		for _, n := range clean.calls {
			most = max(most, n[f.calls])
		}
		if testlab.Long(t) {
			for k := 1; k <= most; k++ {
				out = append(out, chosen{f, k})
			}
			continue
		}
		for j := range min(sc.sample, most) {
			out = append(out, chosen{f, 1 + most*(len(faults)*j+(3*i+1)%len(faults))/(2*len(faults)*sc.sample)})
		}
	}
	return out
}

// run lets the scenario run in a copy of its bench and checks what came of it.
func (sc scenario) run(t *testing.T, blank bench, inject string) traced {
	t.Helper()
	// The same place each time: configuration, package and store name it.
	kept := blank.dir + ".kept"
	if _, err := os.Stat(kept); err != nil {
		must(t, exec.Command("cp", "-a", blank.dir, kept).Run())
	}
	must(t, os.RemoveAll(blank.dir))
	must(t, exec.Command("cp", "-a", kept, blank.dir).Run())
	blank.t = t
	var until func(context.Context)
	if sc.until != nil {
		until = sc.until(blank)
	}
	got := trace(t, blank.onDisk(), inject, until, sc.command(blank)...)
	if err := sc.check(blank, got); err != nil {
		t.Errorf("%s: %v\nit ended with %d after %s failed: %s", inject, err, got.status, strings.Join(got.hit, ", "), got.stderr)
	}
	return got
}

// TestADiskThatFailsIsNoDamage: a read that fails once while a store is verified says
// nothing about what is stored; where none succeeds, nobody is told that it is damaged.
func TestADiskThatFailsIsNoDamage(t *testing.T) {
	needsStrace(t)
	b := bench{t, filepath.Join(t.TempDir(), "bench"), programs(t)}
	must(t, os.MkdirAll(b.dir, 0o755))
	withPasses(b)
	verify := b.program("capctl", "verify", "--json")
	clean := trace(t, b.onDisk(), "", nil, verify...)
	most := 0
	for _, n := range clean.calls {
		most = max(most, n[readCalls])
	}
	step := 1
	if !testlab.Long(t) {
		step = max(1, most/5)
	}
	once, hits := fault{calls: readCalls, how: "error=EIO"}, 0
	for k := 3; k <= most; k += step {
		got := trace(t, b.onDisk(), once.at(k), nil, verify...)
		if len(got.hit) > 0 {
			hits++
		}
		var r store.Report
		if json.Unmarshal([]byte(got.stdout), &r); got.status == 3 { // it could not look
			unsure(t, got)
		} else if got.status != 0 || r.Whole != known || len(r.Problems) > 0 {
			t.Errorf("%s: status %d, %+v", once.at(k), got.status, r)
		}
	}
	t.Logf("%d reads, %d runs in which one failed", most, hits)
	if hits < 2 {
		t.Error("hardly any read failed")
	}
	always := fault{calls: readCalls, how: "error=EIO", lasting: true}
	for _, command := range [][]string{verify, b.program("capctl", "passes")} {
		got := trace(t, b.onDisk(), always.at(1), nil, command...)
		if got.status != 3 {
			t.Errorf("%s: status %d", command, got.status)
		}
		unsure(t, got)
	}
}

// unsure demands that a program whose reads failed does not call the store damaged.
func unsure(t *testing.T, got traced) {
	t.Helper()
	if strings.Contains(strings.ReplaceAll(got.stderr, "is damaged, or its disk failed", ""), "damaged") {
		t.Errorf("a read failed and it says: %s", got.stderr)
	}
}
