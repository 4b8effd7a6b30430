package store_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

var kills = flag.Int("kills", 15, "how often the storing process is killed")

// TestMain is also the process that the kill test starts: it stores passes until it is
// killed and says on standard output which are done.
func TestMain(m *testing.M) {
	if path := os.Getenv("CAPD_TEST_STORE"); path != "" {
		from, _ := strconv.Atoi(os.Getenv("CAPD_TEST_FROM"))
		storeForEver(path, from)
		return
	}
	flag.Parse()
	store.AuditDigests()
	os.Exit(m.Run())
}

func storeForEver(path string, from int) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(3)
		}
	}
	s, err := store.Open(ctx, path, store.Options{})
	fail(err)
	fmt.Println("open")
	for i := from; ; i++ {
		saved, err := s.Save(ctx, arrival(i))
		fail(err)
		fmt.Println("saved", i)
		fail(s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK}}, record.Clean))
		fmt.Println("checked", i)
		fail(s.MarkNotified(ctx, saved.ID))
		fmt.Println("notified", i)
	}
}

// TestKilledWhileStoring kills the storing process at random moments. Whatever it said
// was done must be there afterwards, whole, once, in the state that it had said or a
// later one; nothing else may be there but the one pass that was on its way.
func TestKilledWhileStoring(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	said := map[int]string{} // what the process said of each pass
	rng := rand.New(rand.NewPCG(1, 2))
	next := 0
	for round := range *kills {
		for i, state := range killOne(t, path, next, rng.IntN(12), time.Duration(rng.IntN(8_000))*time.Microsecond) {
			said[i] = state
		}
		next = checkAfterKill(t, path, said, round)
		if t.Failed() {
			return
		}
	}
	t.Logf("%d kills, %d passes", *kills, next)
	if next < *kills/3 {
		t.Errorf("only %d passes were stored between %d kills: the test kills too early to say anything", next, *kills)
	}
}

// killOne starts the process, lets it finish so many steps and run for a while after
// them, kills it and returns what it said.
func killOne(t *testing.T, path string, from, steps int, after time.Duration) map[int]string {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "CAPD_TEST_STORE="+path, "CAPD_TEST_FROM="+strconv.Itoa(from))
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	said := map[int]string{}
	for lines.Scan() {
		var word string
		var i int
		if steps--; steps == -1 {
			time.AfterFunc(after, func() { cmd.Process.Kill() })
		}
		if n, _ := fmt.Sscan(lines.Text(), &word, &i); n == 2 {
			said[i] = word
		}
	}
	cmd.Wait() // it was killed: the error says so and nothing else
	if errs.Len() > 0 {
		t.Fatalf("the process failed by itself: %s", errs.String())
	}
	return said
}

func checkAfterKill(t *testing.T, path string, said map[int]string, round int) (next int) {
	t.Helper()
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		t.Fatalf("round %d: %v", round, err)
	}
	defer s.Close()
	rank := map[string]int{"saved": 0, "checked": 1, "notified": 2, "received": 0}
	for i, state := range said {
		a := arrival(i)
		id := record.PassID(a.Pass.SHA256)
		rows := query(t, s, "SELECT state FROM passes WHERE id = ?", id)
		if len(rows) != 1 || rank[rows[0][0].(string)] < rank[state] {
			t.Errorf("round %d: pass %d was %s, now %v", round, i, state, rows)
			return 0
		}
		next = max(next, i+1)
	}
	r, err := s.Verify(ctx)
	if err != nil || len(r.Problems) > 0 {
		t.Errorf("round %d: %+v, %v", round, r, err)
	}
	if r.Passes < next || r.Passes > next+1 {
		t.Errorf("round %d: %d passes, %d were said to be stored", round, r.Passes, next)
	}
	// As the agent does at its start: what was not finished is finished.
	open, err := s.Unfinished(ctx)
	if err != nil || len(open) > 1 {
		t.Errorf("round %d: %d unfinished, %v", round, len(open), err)
	}
	for _, u := range open {
		if u.State == store.Received {
			err = s.Finish(ctx, u.Pass.ID, nil, record.Clean)
		}
		if err == nil {
			err = s.MarkNotified(ctx, u.Pass.ID)
		}
		if err != nil {
			t.Errorf("round %d: finish: %v", round, err)
		}
	}
	return r.Passes
}

// TestDiskFull fills a small file system of its own.
func TestDiskFull(t *testing.T) {
	dir := t.TempDir()
	if runtime.GOOS != "linux" || os.Geteuid() != 0 {
		t.Skip("needs root on Linux to mount a small file system")
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=2m", "capd-test", dir).CombinedOutput(); err != nil {
		t.Skipf("cannot mount a small file system: %v: %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	s := mustOpen(t, filepath.Join(dir, "passes.db"))
	stored := 0
	var full error
	for i := 0; full == nil && i < 10_000; i++ {
		a := arrival(i)
		a.LogBytes = noise(i, 20_000)
		if _, full = s.Save(ctx, a); full == nil {
			stored++
		}
	}
	if !errors.Is(full, store.ErrFull) {
		t.Fatalf("after %d passes: %v", stored, full)
	}
	if err := os.WriteFile(filepath.Join(dir, "rest"), make([]byte, 1<<20), 0o600); err == nil {
		t.Log("a megabyte was left for others")
	}
	check := func(s *store.Store) {
		t.Helper()
		r, err := s.Verify(ctx)
		if err != nil || len(r.Problems) > 0 || r.Passes != stored {
			t.Errorf("%d passes stored, report %+v, %v", stored, r, err)
		}
	}
	check(s)
	if err := s.Backup(ctx, filepath.Join(dir, "copy.db")); err == nil {
		t.Error("a backup went onto a full disk")
	}
	if _, err := os.Stat(filepath.Join(dir, "copy.db")); err == nil {
		t.Error("half a backup bears the name of a whole one")
	}
	s.Close()
	os.Remove(filepath.Join(dir, "rest"))
	if err := exec.Command("mount", "-o", "remount,size=16m", dir).Run(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, filepath.Join(dir, "passes.db"))
	check(s)
	mustSave(t, s, arrival(20_000))
}

// noise is incompressible.
func noise(seed, n int) []byte {
	rng := rand.New(rand.NewPCG(uint64(seed), 3))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

func TestReadOnlyPlace(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Log("as root permissions do not hold; only the mode of opening is tested")
	}
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	s.Close()
	dir := filepath.Dir(path)
	os.Chmod(path, 0o400)
	os.Chmod(dir, 0o500)
	t.Cleanup(func() { os.Chmod(dir, 0o700) })
	r, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if n, err := r.Count(ctx, store.Filter{}); err != nil || n != 1 {
		t.Errorf("%d passes, %v", n, err)
	}
	for name, write := range map[string]func() error{
		"setting": func() error { return r.SetSetting(ctx, "a", "b") },
		"retag": func() error {
			_, err := r.Retag(ctx, []string{"0"}, map[string]string{"a": "b"}, "", "")
			return err
		},
	} {
		if err := write(); err == nil {
			t.Errorf("%s was written", name)
		}
	}
}

// TestReadOnlyFileSystem opens a store where nothing at all can be made.
func TestReadOnlyFileSystem(t *testing.T) {
	dir := t.TempDir()
	if runtime.GOOS != "linux" || os.Geteuid() != 0 {
		t.Skip("needs root on Linux to mount a file system for reading only")
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=8m", "capd-test", dir).CombinedOutput(); err != nil {
		t.Skipf("cannot mount: %v: %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	path := filepath.Join(dir, "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	s.Close()
	if err := exec.Command("mount", "-o", "remount,ro", dir).Run(); err != nil {
		t.Fatal(err)
	}
	r, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if all, err := r.Passes(ctx, store.Filter{}); err != nil || len(all) != 1 {
		t.Errorf("%d passes, %v", len(all), err)
	}
	if w, err := store.Open(ctx, path, store.Options{}); !errors.Is(err, store.ErrReadOnly) {
		if err == nil {
			_, err = w.Save(ctx, arrival(2))
			w.Close()
		}
		if !errors.Is(err, store.ErrReadOnly) {
			t.Errorf("writing there: %v", err)
		}
	}
}

// TestDamageIsFoundAndTheRestSaved breaks parts of a store: pages at random, a blob cut
// short, a blob with one wrong byte.
func TestDamageIsFoundAndTheRestSaved(t *testing.T) {
	whole := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, whole)
	want := map[string]record.Frames{}
	for i := range 30 {
		a := arrival(i)
		id := mustSave(t, s, a).ID
		want[id] = a.Frames
		if err := s.Finish(ctx, id, []record.Finding{{Check: "completeness", Outcome: record.OK}}, record.Clean); err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	script := func(text string) func(t *testing.T, path string) {
		return func(t *testing.T, path string) { execute(t, path, text) }
	}
	cases := map[string]func(t *testing.T, path string){
		"blob cut short":  script(`UPDATE archives SET frames = substr(frames, 1, length(frames) / 2) WHERE revision = 5`),
		"blob one byte":   script(`UPDATE archives SET frames = substr(frames, 1, 90) || x'55aa' || substr(frames, 93) WHERE revision = 5`),
		"blob of nothing": script(`UPDATE archives SET telemetry = x'' WHERE revision = 5`),
		"archive missing": script(`PRAGMA foreign_keys = 0; DELETE FROM archives WHERE revision = 5`),
		"half a document": script(`UPDATE pass_rows SET doc = substr(doc, 1, 20) WHERE n = 5`),
	}
	info, _ := os.Stat(whole)
	pages := int(info.Size() / 4096)
	rng := rand.New(rand.NewPCG(4, 5))
	for range 12 {
		n := 1 + rng.IntN(pages-1) // the first page holds the heading; without it there is no database
		cases[fmt.Sprint("page ", n)] = func(t *testing.T, path string) {
			f, err := os.OpenFile(path, os.O_RDWR, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if _, err := f.WriteAt(noise(n, 4096), int64(n)*4096); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, spoil := range cases {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "passes.db")
			copyFile(t, whole, path)
			spoil(t, path)
			checkDamaged(t, path, want, !strings.HasPrefix(name, "page"))
		})
	}
}

func checkDamaged(t *testing.T, path string, want map[string]record.Frames, single bool) {
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		if !errors.Is(err, store.ErrCorrupt) {
			t.Errorf("opening: %v", err)
		}
		return // the heart of the file is gone, and that is said
	}
	defer s.Close()
	r, err := s.Verify(ctx)
	if err != nil || len(r.Problems) == 0 {
		t.Fatalf("the damage was not found: %+v, %v", r, err)
	}
	if single && r.Whole != len(want)-1 {
		t.Errorf("%d passes are whole, one was damaged: %+v", r.Whole, r.Problems)
	}
	saved := filepath.Join(t.TempDir(), "salvaged.db")
	r, err = s.Salvage(ctx, saved)
	if err != nil && !errors.Is(err, store.ErrCorrupt) {
		t.Fatalf("salvage: %v", err)
	}
	to, err := store.Open(ctx, saved, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	t.Logf("%d of %d passes saved", r.Whole, len(want))
	all, err := to.Passes(ctx, store.Filter{})
	if err != nil || len(all) != r.Whole {
		t.Fatalf("%d passes were salvaged, %d are there, %v", r.Whole, len(all), err)
	}
	for _, p := range all {
		if f, err := to.Frames(ctx, p.ID); err != nil || !reflect.DeepEqual(f, want[p.ID]) {
			t.Errorf("pass %s is not what it was: %v", p.ID, err)
		}
	}
	// The logs are still there: read again, everything is complete.
	for i := range len(want) {
		mustSave(t, to, arrival(i))
	}
	if n, err := to.Count(ctx, store.Filter{}); err != nil || n != len(want) {
		t.Errorf("%d passes after reading the logs again, %v", n, err)
	}
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	in, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(out, in); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
}

// TestManyWritersAndReaders: two stores on one file write at once while others read; all
// is there afterwards, and no reader ever sees half a pass.
func TestManyWritersAndReaders(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	const writers, each = 3, 25
	done, cancel := context.WithCancel(ctx)
	var write, read sync.WaitGroup
	for w := range writers {
		s := mustOpen(t, path)
		write.Go(func() {
			for i := range each {
				// Every writer also stores what another stores too.
				for _, n := range []int{w*each + i, i} {
					if _, err := s.Save(ctx, arrival(n)); err != nil {
						t.Errorf("writer %d: %v", w, err)
						return
					}
				}
			}
		})
	}
	for range 2 {
		r, err := store.Open(ctx, path, store.Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		read.Go(func() {
			for done.Err() == nil {
				list, err := r.Passes(ctx, store.Filter{Newest: true, Limit: 5})
				if err != nil {
					t.Errorf("reader: %v", err)
					return
				}
				for _, p := range list {
					if f, err := r.Frames(ctx, p.ID); err != nil || len(f.MS) != p.Metrics.Frames || len(p.Tags) != 4 {
						t.Errorf("reader saw half a pass: %v", err)
						return
					}
				}
			}
		})
	}
	write.Wait()
	cancel()
	read.Wait()
	s := mustOpen(t, path)
	if r, err := s.Verify(ctx); err != nil || r.Whole != writers*each || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
}

func TestBackupWhileInUse(t *testing.T) {
	s := newStore(t)
	for i := range 5 {
		mustSave(t, s, arrival(i))
	}
	to := filepath.Join(t.TempDir(), "copy.db")
	if err := s.Backup(ctx, to); err != nil {
		t.Fatal(err)
	}
	mustSave(t, s, arrival(6))
	if err := s.Backup(ctx, to); err == nil {
		t.Error("a backup was overwritten")
	}
	b := mustOpen(t, to)
	if r, err := b.Verify(ctx); err != nil || r.Whole != 5 || len(r.Problems) > 0 {
		t.Errorf("%+v, %v", r, err)
	}
	mustSave(t, b, arrival(7)) // a restored backup is a store like any other
	before, after, err := s.Compact(ctx)
	if err != nil || after == 0 || before == 0 {
		t.Errorf("compact: %d to %d, %v", before, after, err)
	}
	if r, err := s.Verify(ctx); err != nil || r.Whole != 6 {
		t.Errorf("after compacting: %+v, %v", r, err)
	}
}

// TestWaitsForAMigration: while another program holds the store, which it does for long
// while it brings a large one up to date, programs that start wait; those with nothing to
// bring up to date need not.
func TestWaitsForAMigration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	unzip(t, "testdata/version4.db.gz", path)
	const busy = 10 * time.Millisecond
	lock := rawOpen(t, path)
	lock.SetMaxOpenConns(1)
	execOn := func(text string) {
		t.Helper()
		if _, err := lock.Exec(text); err != nil {
			t.Fatal(err)
		}
	}
	execOn("BEGIN IMMEDIATE")
	for _, opt := range []store.Options{{}, {ReadOnly: true}} {
		_, err := store.Open(ctx, path, opt.Hurried(busy, 1))
		if !errors.Is(err, store.ErrBusy) || strings.Count(err.Error(), store.ErrBusy.Error()) != 1 || strings.Count(err.Error(), "open store:") != 1 {
			t.Errorf("without patience, read only %v: %v", opt.ReadOnly, err)
		}
	}
	stop, cancel := context.WithCancel(ctx)
	given, opened := make(chan error), make(chan error)
	open := func(ctx context.Context, to chan error, opt store.Options) {
		s, err := store.Open(ctx, path, opt.Hurried(busy, time.Minute))
		if err == nil {
			err = s.Close()
		}
		to <- err
	}
	go open(stop, given, store.Options{})
	go open(ctx, opened, store.Options{})
	go open(ctx, opened, store.Options{ReadOnly: true})
	select { // long enough for many refusals
	case err := <-given:
		t.Fatalf("did not wait: %v", err)
	case err := <-opened:
		t.Fatalf("did not wait: %v", err)
	case <-time.After(30 * busy):
	}
	cancel()
	if err := <-given; !errors.Is(err, context.Canceled) {
		t.Errorf("told to give up: %v", err)
	}
	execOn("ROLLBACK")
	for range 2 {
		if err := <-opened; err != nil {
			t.Errorf("after the lock was gone: %v", err)
		}
	}
	execOn("BEGIN IMMEDIATE")
	s, err := store.Open(ctx, path, store.Options{}.Hurried(busy, time.Minute))
	if err != nil {
		t.Fatalf("a store that is up to date: %v", err)
	}
	defer s.Close()
	if _, err := s.Save(ctx, arrival(7)); !errors.Is(err, store.ErrBusy) || strings.Count(err.Error(), path) != 1 {
		t.Errorf("saving meanwhile: %v", err)
	}
	execOn("ROLLBACK")
}

// TestCopiesStayOffOtherFiles: a backup or a salvage goes over no file, not the store itself,
// and through no link; what an attempt that was killed left is cleared away, what somebody
// else put there is not.
func TestCopiesStayOffOtherFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s := mustOpen(t, path)
	mustSave(t, s, arrival(1))
	for name, copying := range map[string]func(to string) error{
		"backup":  func(to string) error { return s.Backup(ctx, to) },
		"salvage": func(to string) error { _, err := s.Salvage(ctx, to); return err },
	} {
		dir := t.TempDir()
		mine, link, nowhere := filepath.Join(dir, "mine.txt"), filepath.Join(dir, "link.db"), filepath.Join(dir, "nowhere.db")
		must(t, os.WriteFile(mine, []byte("mine"), 0o600))
		targets := []string{path, path + "-wal", mine}
		if os.Symlink(mine, link) == nil && os.Symlink(filepath.Join(dir, "absent"), nowhere) == nil {
			targets = append(targets, link, nowhere)
		}
		for _, to := range targets {
			if err := copying(to); err == nil {
				t.Errorf("%s: over %s", name, to)
			}
		}
		to := filepath.Join(dir, "copy.db")
		must(t, os.WriteFile(to+".part", []byte("mine"), 0o600))
		if err := copying(to); err == nil || !strings.Contains(err.Error(), "in the way") {
			t.Errorf("%s: %v", name, err)
		}
		for _, file := range []string{mine, to + ".part"} {
			if text, err := os.ReadFile(file); err != nil || string(text) != "mine" {
				t.Errorf("%s: %s holds %q, %v", name, file, text, err)
			}
		}
		copyFile(t, path, to+".part") // an attempt that was killed
		must(t, copying(to))
		if left, _ := filepath.Glob(to + ".part*"); len(left) > 0 {
			t.Errorf("%s: left behind: %v", name, left)
		}
		if info, err := os.Stat(to); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
			t.Errorf("%s: %v, %v", name, info, err)
		}
		if r, err := mustOpen(t, to).Verify(ctx); err != nil || r.Whole != 1 || len(r.Problems) > 0 {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
	if r, err := s.Verify(ctx); err != nil || r.Whole != 1 {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestVerifyWhileOthersWrite: what changes meanwhile is no damage.
func TestVerifyWhileOthersWrite(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	s, w := mustOpen(t, path), mustOpen(t, path)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			saved, err := w.Save(ctx, shortArrival(i))
			if err == nil {
				err = w.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK}}, record.Clean)
			}
			if err == nil {
				_, err = w.Retag(ctx, []string{saved.ID}, map[string]string{"game": fmt.Sprint("game ", i%3)}, "jo", "")
			}
			if err != nil {
				t.Error(err)
				return
			}
		}
	})
	for seen := 0; seen < 20; {
		r, err := s.Verify(ctx)
		if err != nil || len(r.Problems) > 0 {
			t.Errorf("%+v, %v", r, err)
			break
		}
		seen = r.Passes
	}
	close(stop)
	wg.Wait()
}
