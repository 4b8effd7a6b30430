package export_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

// rewrite edits every row of passes of a package; edit may change the pass and add frame
// times at its end.
func rewrite(t *testing.T, dir string, edit func(p *record.Pass) (more []float64)) {
	t.Helper()
	more := map[string][]float64{}
	eachFile(t, dir, "passes/", func(line map[string]any) []map[string]any {
		var p record.Pass
		must(t, json.Unmarshal([]byte(line["pass"].(string)), &p))
		if add := edit(&p); add != nil {
			more[p.ID] = add
		}
		text, err := json.Marshal(p)
		must(t, err)
		line["pass"] = string(text)
		return []map[string]any{line}
	})
	last := map[string]float64{}
	eachFile(t, dir, "frames/", func(line map[string]any) []map[string]any {
		last[line["pass"].(string)] = line["n"].(float64)
		return []map[string]any{line}
	})
	eachFile(t, dir, "frames/", func(line map[string]any) []map[string]any {
		out := []map[string]any{line}
		id := line["pass"].(string)
		if n := line["n"].(float64); n == last[id] {
			for i, ms := range more[id] {
				out = append(out, map[string]any{"pass": id, "n": n + float64(i) + 1, "ms": ms})
			}
		}
		return out
	})
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func eachFile(t *testing.T, dir, table string, fn func(line map[string]any) []map[string]any) {
	t.Helper()
	for name := range files(t, dir) {
		if !strings.HasPrefix(name, table) {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, name))
		must(t, err)
		var out bytes.Buffer
		for line := range strings.Lines(string(text)) {
			var row map[string]any
			must(t, json.Unmarshal([]byte(line), &row))
			for _, row := range fn(row) {
				text, err := json.Marshal(row)
				must(t, err)
				out.Write(append(text, '\n'))
			}
		}
		must(t, os.WriteFile(filepath.Join(dir, name), out.Bytes(), 0o600))
	}
}

const otherHash = "5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a5a"

// grown makes of a pass one whose log has grown by two frames, with all that fits.
func grown(t *testing.T, s *store.Store, p *record.Pass, revision int) []float64 {
	t.Helper()
	f, err := s.Frames(ctx, p.ID)
	must(t, err)
	more := []float64{11, 12}
	p.Metrics, err = metrics.Compute(record.Frames{MS: append(f.MS, more...), Decimals: f.Decimals})
	must(t, err)
	p.Revision, p.SHA256 = revision, otherHash
	return more
}

// TestPackageDoesNotReplaceWhatIsHere: a package offers passes of this bench with a higher
// revision, other verdicts, other tags. What is here stays, and the word by hand with it.
func TestPackageDoesNotReplaceWhatIsHere(t *testing.T) {
	for name, edit := range map[string]func(t *testing.T, s *store.Store, p *record.Pass) []float64{
		"revision 7": func(t *testing.T, s *store.Store, p *record.Pass) []float64 { return grown(t, s, p, 7) },
		"the highest revision": func(t *testing.T, s *store.Store, p *record.Pass) []float64 {
			return grown(t, s, p, 1<<31-1)
		},
		"other verdict": func(t *testing.T, s *store.Store, p *record.Pass) []float64 {
			p.Verdict, p.Overruled = record.Clean, ""
			return nil
		},
		"other tags": func(t *testing.T, s *store.Store, p *record.Pass) []float64 {
			p.Tags["game"] = record.Tag{Value: "Tin Valley", From: record.FromHand}
			return nil
		},
		"another bench": func(t *testing.T, s *store.Store, p *record.Pass) []float64 {
			p.Bench, p.Verdict = "bench-9", record.Clean
			return nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newStore(t)
			p := add(t, s, 1, "Glass Halyard")
			must(t, s.Overrule(ctx, p.ID, record.VerdictBad, "cooler fell off", "jo"))
			dir := t.TempDir()
			write(t, s, dir, export.JSONLines)
			want, err := s.Passes(ctx, store.Filter{})
			must(t, err)
			rewrite(t, dir, func(p *record.Pass) []float64 { return edit(t, s, p) })
			taken, err := export.Read(ctx, s, dir)
			if err != nil || !sameTaken(taken, export.Taken{Kept: 1}) {
				t.Errorf("%+v, %v", taken, err)
			}
			if got, err := s.Passes(ctx, store.Filter{}); err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("here stands\n%+v\nwas\n%+v, %v", got, want, err)
			}
			if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
				t.Errorf("%+v, %v", r, err)
			}
		})
	}
}

// TestPackageRenewsWhatAPackageBrought: a pass that came with a package follows its log,
// until something is said about it here by hand.
func TestPackageRenewsWhatAPackageBrought(t *testing.T) {
	from := newStore(t)
	p := add(t, from, 1, "Glass Halyard")
	dir := t.TempDir()
	write(t, from, dir, export.JSONLines)
	later := t.TempDir()
	must(t, os.CopyFS(later, os.DirFS(dir)))
	rewrite(t, later, func(p *record.Pass) []float64 { return grown(t, from, p, 1) })
	for _, c := range []struct {
		byHand func(s *store.Store) error
		want   export.Taken
	}{
		{func(*store.Store) error { return nil }, export.Taken{Renewed: 1}},
		{func(s *store.Store) error { return s.Overrule(ctx, p.ID, record.VerdictBad, "no", "jo") }, export.Taken{Kept: 1}},
		{func(s *store.Store) error {
			_, err := s.Retag(ctx, []string{p.ID}, map[string]string{"game": "Tin Valley"}, "jo", "")
			return err
		}, export.Taken{Kept: 1}},
	} {
		s := newStore(t)
		if taken, err := export.Read(ctx, s, dir); err != nil || taken.New != 1 {
			t.Fatalf("%+v, %v", taken, err)
		}
		must(t, c.byHand(s))
		if taken, err := export.Read(ctx, s, later); err != nil || !sameTaken(taken, c.want) {
			t.Errorf("%+v, want %+v, %v", taken, c.want, err)
		}
		// The state before it grew is nothing new, whichever came first.
		if taken, err := export.Read(ctx, s, dir); err != nil || taken.New+taken.Renewed != 0 {
			t.Errorf("the earlier package again: %+v, %v", taken, err)
		}
		if n, _ := s.Count(ctx, store.Filter{}); n != 1 {
			t.Errorf("%d passes", n)
		}
		if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
			t.Errorf("%+v, %v", r, err)
		}
	}
	s := newStore(t)
	for _, d := range []string{later, dir} {
		if _, err := export.Read(ctx, s, d); err != nil {
			t.Error(err)
		}
	}
	if got, err := s.Passes(ctx, store.Filter{}); err != nil || len(got) != 1 || got[0].Revision != 1 {
		t.Errorf("the later package first: %+v, %v", got, err)
	}
}

// TestFiguresOfAPackageAreComputed: a pass whose figures its frame times contradict is
// refused by name, the others go on.
func TestFiguresOfAPackageAreComputed(t *testing.T) {
	from := newStore(t)
	bad, good := add(t, from, 1, "Glass Halyard"), add(t, from, 2, "Glass Halyard")
	for name, spoil := range map[string]func(m *record.Metrics){
		"avg_fps":  func(m *record.Metrics) { m.AvgFPS = 999 },
		"negative": func(m *record.Metrics) { m.AvgFPS = -5 },
		"huge":     func(m *record.Metrics) { m.Low1FPS = 1e308 },
		"hitches":  func(m *record.Metrics) { m.Hitches = 0; m.Hitches-- },
		"frames":   func(m *record.Metrics) { m.Frames++ },
		"sparse":   func(m *record.Metrics) { m.Low1Sparse = !m.Low1Sparse },
		"other pass": func(m *record.Metrics) {
			f := record.Frames{MS: testlab.Scene{Seed: 9, FPS: 60, Seconds: 3}.Frames(), Decimals: 3}
			*m, _ = metrics.Compute(f)
		},
	} {
		dir := t.TempDir()
		write(t, from, dir, export.JSONLines)
		rewrite(t, dir, func(p *record.Pass) []float64 {
			if p.ID == bad.ID {
				spoil(&p.Metrics)
			}
			return nil
		})
		s := newStore(t)
		taken, err := export.Read(ctx, s, dir)
		if err != nil || taken.New != 1 || len(taken.Refused) != 1 || taken.Refused[0].Pass != bad.ID || taken.Refused[0].Log != bad.Log || !strings.Contains(taken.Refused[0].Why, "figures") {
			t.Errorf("%s: %+v, %v", name, taken, err)
		}
		if all, err := s.Passes(ctx, store.Filter{}); err != nil || len(all) != 1 || all[0].ID != good.ID {
			t.Errorf("%s: %+v, %v", name, all, err)
		}
	}
}

// TestImpossibleTimesOfAPackage: a pass that ended before it began, or at a time that is no
// date in UTC, is named by file and line; nothing of such a package is taken.
func TestImpossibleTimesOfAPackage(t *testing.T) {
	from := newStore(t)
	bad := add(t, from, 1, "Glass Halyard")
	add(t, from, 2, "Glass Halyard")
	for name, times := range map[string][2]string{
		"the year 10000":          {"9999-12-31T23:59:50-23:59", "9999-12-31T23:59:53-23:59"},
		"before the year 1":       {"0001-01-01T00:00:00+23:59", "0001-01-01T00:00:03+23:59"},
		"the end before it began": {"2026-03-02T09:00:03Z", "2026-03-02T09:00:00Z"},
	} {
		dir := t.TempDir()
		write(t, from, dir, export.JSONLines)
		eachFile(t, dir, "passes/", func(line map[string]any) []map[string]any {
			var p map[string]any
			must(t, json.Unmarshal([]byte(line["pass"].(string)), &p))
			if p["id"] == bad.ID {
				p["started_at"], p["ended_at"] = times[0], times[1]
			}
			text, err := json.Marshal(p)
			must(t, err)
			line["pass"] = string(text)
			return []map[string]any{line}
		})
		s := newStore(t)
		taken, err := export.Read(ctx, s, dir)
		if err == nil || !strings.Contains(err.Error(), "line 1: it ran from") || !strings.Contains(err.Error(), "not possible") {
			t.Errorf("%s: %+v, %v", name, taken, err)
		}
		if all, err := s.Passes(ctx, store.Filter{}); err != nil || len(all) != 0 {
			t.Errorf("%s: %+v, %v", name, all, err)
		}
	}
}

// TestPackageOfALaterVersion is refused with what to do.
func TestPackageOfALaterVersion(t *testing.T) {
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	for version, ok := range map[string]bool{`"version": "1"`: true, `"version": ""`: true, `"version": "99"`: false, `"version": "2.0"`: false, `"version": 99`: false} {
		dir := t.TempDir()
		write(t, from, dir, export.JSONLines)
		name := filepath.Join(dir, "datapackage.json")
		text, err := os.ReadFile(name)
		must(t, err)
		changed := bytes.Replace(text, []byte(`"version": "1"`), []byte(version), 1)
		if version != `"version": "1"` && bytes.Equal(changed, text) {
			t.Fatal("the description names no version")
		}
		must(t, os.WriteFile(name, changed, 0o600))
		taken, err := export.Read(ctx, newStore(t), dir)
		if ok != (err == nil) || ok != (taken.New == 1) || !ok && !strings.Contains(err.Error(), "version") {
			t.Errorf("%s: %+v, %v", version, taken, err)
		}
	}
}

// TestLogOutranksAPackage: a package claimed something of a log before the log itself
// arrived. Then the log's frame times count, and from then on no package changes the pass.
func TestLogOutranksAPackage(t *testing.T) {
	from := newStore(t)
	p := add(t, from, 1, "Glass Halyard")
	dir := t.TempDir()
	write(t, from, dir, export.JSONLines)
	lied := t.TempDir()
	must(t, os.CopyFS(lied, os.DirFS(dir)))
	rewrite(t, lied, func(p *record.Pass) []float64 {
		more := grown(t, from, p, 0)
		p.SHA256 = p.ID + p.SHA256[len(p.ID):]
		return more
	})
	real, err := from.Whole(ctx, p.ID)
	must(t, err)
	for _, c := range []struct {
		dir   string
		again bool // the log says otherwise and is to be judged
	}{{dir, false}, {lied, true}} {
		s := newStore(t)
		_, err := export.Read(ctx, s, c.dir)
		must(t, err)
		there, err := s.Passes(ctx, store.Filter{})
		must(t, err)
		a := real
		a.Pass.Log, a.Pass.SHA256, a.File = "/here/1.csv", there[0].SHA256, store.FileMark{Path: "/here/1.csv", Size: 9}
		saved, err := s.Save(ctx, a)
		if err != nil || saved.Created != c.again || saved.ID != p.ID {
			t.Errorf("%+v, %v", saved, err)
		}
		if w, err := s.Whole(ctx, p.ID); err != nil || !reflect.DeepEqual(w.Frames, real.Frames) || w.Pass.Metrics != real.Pass.Metrics || (w.Pass.Verdict == "") != c.again {
			t.Errorf("the log does not count: %+v, %v", w.Pass, err)
		}
		rewrite(t, c.dir, func(p *record.Pass) []float64 { p.Verdict = record.VerdictBad; return nil })
		if taken, err := export.Read(ctx, s, c.dir); err != nil || taken.Kept != 1 {
			t.Errorf("%+v, %v", taken, err)
		}
		if r, err := s.Verify(ctx); err != nil || len(r.Problems) > 0 {
			t.Errorf("%+v, %v", r, err)
		}
	}
}
