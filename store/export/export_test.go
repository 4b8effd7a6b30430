package export_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

var ctx = context.Background()

var day = time.Date(2026, 3, 4, 9, 0, 0, 250000000, time.UTC)

func newStore(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// add stores pass number i of a game, checked.
func add(t *testing.T, s *store.Store, i int, game string) record.Pass {
	t.Helper()
	sum := sha256.Sum256(fmt.Append(nil, "log ", i))
	f := record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 60, Seconds: 3}.Frames(), Decimals: 3}
	figures, err := metrics.Compute(f)
	if err != nil {
		t.Fatal(err)
	}
	at := day.Add(time.Duration(i) * time.Minute)
	sys := record.System{Fields: []record.Field{{Name: record.FieldProcessorName, Value: "Aster 7", Identity: true}}}
	sys.ID = sys.Identity()
	a := store.Arrival{
		Pass: record.Pass{
			SHA256: hex.EncodeToString(
				sum[:],
			), Bench: "bench-1", Log: fmt.Sprintf("/logs/%d.csv", i), StartedAt: at, EndedAt: at.Add(3 * time.Second),
			Tags: record.Tags{
				"game":     {Value: game, From: record.FromPath},
				"campaign": {Value: "spring", From: record.FromPlan},
			},
			Metrics: figures,
		},
		Frames: f, System: sys,
		Telemetry: &record.Telemetry{
			At: []time.Time{at, at.Add(time.Second)},
			Series: []record.Series{
				{Name: "cpu.temp", Unit: "degrees C", Source: "test", Values: []float64{51.5, math.NaN()}},
			},
			Processes: []record.ProcessUse{{Name: "updater", PID: 3, From: at, To: at.Add(time.Second), Percent: 2.5}},
		},
		File: store.FileMark{Path: fmt.Sprintf("/logs/%d.csv", i), Size: 9, ModTime: at},
	}
	saved, err := s.Save(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean); err != nil {
		t.Fatal(err)
	}
	p, err := s.Pass(ctx, saved.ID)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func write(t *testing.T, s *store.Store, dir string, f export.Format) export.Done {
	t.Helper()
	done, err := export.Write(ctx, s, store.Filter{}, dir, f)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

// files lists a folder's files with their times of change.
func files(t *testing.T, dir string) map[string]time.Time {
	t.Helper()
	out := map[string]time.Time{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		rel, _ := filepath.Rel(dir, path)
		out[filepath.ToSlash(rel)] = info.ModTime()
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestParquetHoldsTheFrameTimes(t *testing.T) {
	s := newStore(t)
	p := add(t, s, 1, "Glass Halyard")
	dir := t.TempDir()
	write(t, s, dir, export.Parquet)
	found, _ := filepath.Glob(filepath.Join(dir, "frames", "campaign=spring", "game=Glass%20Halyard", "part-*.parquet"))
	if len(found) != 1 {
		t.Fatalf("frames lie in %v", files(t, dir))
	}
	type frame struct {
		Pass string  `parquet:"pass,optional"`
		N    int64   `parquet:"n,optional"`
		MS   float64 `parquet:"ms,optional"`
	}
	rows, err := parquet.ReadFile[frame](found[0])
	if err != nil {
		t.Fatal(err)
	}
	want, _ := s.Frames(ctx, p.ID)
	if len(rows) != len(want.MS) {
		t.Fatalf("%d rows, %d frames", len(rows), len(want.MS))
	}
	for i, r := range rows {
		if r.Pass != p.ID || r.N != int64(i+1) || math.Float64bits(r.MS) != math.Float64bits(want.MS[i]) {
			t.Fatalf("row %d: %+v, want %v", i, r, want.MS[i])
		}
	}
}

func TestSecondExportWritesOnlyWhatIsNew(t *testing.T) {
	s := newStore(t)
	a, b := add(t, s, 1, "Glass Halyard"), add(t, s, 2, "Tin Valley")
	dir := t.TempDir()
	if done := write(t, s, dir, export.JSONLines); done.Written != 2 || done.Files != 6 {
		t.Fatalf("first: %+v", done)
	}
	before := files(t, dir)
	if done := write(t, s, dir, export.JSONLines); done.Written != 0 || done.Unchanged != 2 || done.Files != 0 {
		t.Errorf("nothing new: %+v", done)
	}
	add(t, s, 3, "Tin Valley")
	if done := write(t, s, dir, export.JSONLines); done.Written != 1 || done.Unchanged != 2 {
		t.Errorf("one new: %+v", done)
	}
	after := files(t, dir)
	for name, at := range before {
		if strings.Contains(name, "part-") && !after[name].Equal(at) {
			t.Errorf("%s was written again", name)
		}
	}
	// A correction moves a pass to another folder and leaves nothing behind.
	if _, err := s.Retag(ctx, []string{a.ID}, map[string]string{"game": "Tin Valley"}, "me", "wrong folder"); err != nil {
		t.Fatal(err)
	}
	write(t, s, dir, export.JSONLines)
	var ids []string
	for name := range files(t, dir) {
		if strings.Contains(name, "Glass") {
			t.Errorf("%s is still there", name)
		}
		if strings.HasPrefix(name, "passes/") {
			text, _ := os.ReadFile(filepath.Join(dir, name))
			for line := range strings.Lines(string(text)) {
				var row struct{ ID string }
				if err := json.Unmarshal([]byte(line), &row); err != nil {
					t.Fatal(err)
				}
				ids = append(ids, row.ID)
			}
		}
	}
	slices.Sort(ids)
	if len(ids) != 3 || len(slices.Compact(ids)) != 3 || !slices.Contains(ids, b.ID) {
		t.Errorf("passes afterwards: %v", ids)
	}
	// A file that was lost comes back.
	for name := range files(t, dir) {
		if strings.HasPrefix(name, "frames/") {
			os.Remove(filepath.Join(dir, name))
		}
	}
	if done := write(t, s, dir, export.JSONLines); done.Written != 3 {
		t.Errorf("after losing the frames: %+v", done)
	}
	if _, err := export.Write(ctx, s, store.Filter{}, dir, export.CSV); err == nil {
		t.Error("CSV went into a folder of JSON Lines")
	}
}

func TestExportKeepsOutOfOtherFolders(t *testing.T) {
	for _, file := range []string{"thesis.doc", "datapackage.json", "passes/thesis.doc", "frames/campaign=x/thesis.doc", "passes/campaign=x/game=y/part-1.csv"} {
		dir := t.TempDir()
		name := filepath.Join(dir, filepath.FromSlash(file))
		must(t, os.MkdirAll(filepath.Dir(name), 0o700))
		must(t, os.WriteFile(name, []byte(`{"name":"mine"}`), 0o600))
		if _, err := export.Write(ctx, newStore(t), store.Filter{}, dir, export.CSV); err == nil {
			t.Errorf("an export went beside %s", file)
		}
		if text, err := os.ReadFile(name); err != nil || string(text) != `{"name":"mine"}` {
			t.Errorf("%s: %q, %v", file, text, err)
		}
	}
	// Nor through a link, even to a file in the folder.
	s := newStore(t)
	add(t, s, 1, "Glass Halyard")
	dir := t.TempDir()
	write(t, s, dir, export.CSV)
	victim := filepath.Join(dir, "notes.txt")
	must(t, os.WriteFile(victim, []byte("mine"), 0o600))
	for _, name := range []string{"exported.json.tmp", "datapackage.json.tmp", "passes/campaign=spring/game=Glass%20Halyard/unfinished.tmp"} {
		if err := os.Symlink(victim, filepath.Join(dir, filepath.FromSlash(name))); err != nil {
			t.Skipf("no links here: %v", err)
		}
		must(t, os.Remove(filepath.Join(dir, filepath.FromSlash(name))))
		up := strings.Repeat("../", strings.Count(name, "/"))
		must(t, os.Symlink(up+"notes.txt", filepath.Join(dir, filepath.FromSlash(name))))
	}
	add(t, s, 2, "Glass Halyard")
	write(t, s, dir, export.CSV)
	if text, err := os.ReadFile(victim); err != nil || string(text) != "mine" {
		t.Errorf("written through a link: %q, %v", text, err)
	}
}

func TestHostileTagsStayInTheFolder(t *testing.T) {
	s := newStore(t)
	outer := t.TempDir()
	dir := filepath.Join(outer, "package")
	for i, game := range []string{"../../../escape", "/etc/passwd", `..\..\x`, "C:\\x", "a/b", "nul", "\x00", ".", "..", strings.Repeat("é", 500), "=1+1", "%2e%2e", ""} {
		add(t, s, i, game)
	}
	for _, f := range []export.Format{export.Parquet, export.CSV, export.JSONLines} {
		write(t, s, filepath.Join(dir, string(f)), f)
	}
	for name := range files(t, outer) {
		if !strings.HasPrefix(name, "package/") || len(filepath.Base(filepath.Dir(name))) > 200 {
			t.Errorf("written to %s", name)
		}
	}
}

func TestCSVHoldsNoFormulas(t *testing.T) {
	s := newStore(t)
	for i, v := range []string{"=1+1", "+1", "-1", "@x", "\tx", "\rx"} {
		p := add(t, s, i, "Tin Valley")
		if _, err := s.Retag(ctx, []string{p.ID}, map[string]string{"scene": v}, "me", ""); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	write(t, s, dir, export.CSV)
	for name := range files(t, dir) {
		if !strings.HasSuffix(name, ".csv") {
			continue
		}
		f, err := os.Open(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(f).ReadAll()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			for i, cell := range row {
				if cell != "" && strings.ContainsRune("=+@\t\r", rune(cell[0])) ||
					strings.HasPrefix(cell, "-") && rows[0][i] == "scene" {
					t.Errorf("%s, column %s: %q", name, rows[0][i], cell)
				}
			}
		}
	}
}

func TestImportIsExactlyOnce(t *testing.T) {
	from := newStore(t)
	for i := range 3 {
		add(t, from, i, "Glass Halyard")
	}
	dir := t.TempDir()
	write(t, from, dir, export.JSONLines)
	to := newStore(t)
	for round, want := range []export.Taken{{New: 3}, {Known: 3}} {
		got, err := export.Read(ctx, to, dir)
		if err != nil || !sameTaken(got, want) {
			t.Fatalf("round %d: %+v, %v", round, got, err)
		}
	}
	want, _ := from.Passes(ctx, store.Filter{})
	got, _ := to.Passes(ctx, store.Filter{})
	if !reflect.DeepEqual(got, want) {
		t.Errorf("passes\n got %+v\nwant %+v", got, want)
	}
	for _, p := range want {
		a, err := from.Whole(ctx, p.ID)
		if err != nil {
			t.Fatal(err)
		}
		b, err := to.Whole(ctx, p.ID)
		if err != nil || !reflect.DeepEqual(a.Frames, b.Frames) ||
			fmt.Sprint(*a.Telemetry) != fmt.Sprint(*b.Telemetry) ||
			!reflect.DeepEqual(a.System, b.System) {
			t.Errorf("pass %s is not the same on both sides: %v", p.ID, err)
		}
	}
	if open, err := to.Unfinished(ctx); err != nil || len(open) != 0 {
		t.Errorf("passes that were judged elsewhere are to be judged here: %v, %v", open, err)
	}
}

// Every form that an export writes, and the one file for a colleague, is taken in whole: passes,
// frame times, samples and systems.
func TestEveryFormComesBack(t *testing.T) {
	from := newStore(t)
	for i := range 3 {
		add(t, from, i, "=Glass, \"Halyard\"")
	}
	want, err := from.Passes(ctx, store.Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for _, form := range []export.Format{export.JSONLines, export.CSV, export.Parquet, "file"} {
		path := filepath.Join(t.TempDir(), "package")
		if form == "file" {
			if done, err := export.Send(ctx, from, store.Filter{}, path); err != nil || done.Written != 3 {
				t.Fatalf("%+v, %v", done, err)
			}
			if _, err := export.Send(ctx, from, store.Filter{}, path); err == nil ||
				!strings.Contains(err.Error(), "is there already") {
				t.Errorf("written over a file that was there: %v", err)
			}
			if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), ".capd-send-*")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		} else {
			write(t, from, path, form)
		}
		to := newStore(t)
		for round, taken := range []export.Taken{{New: 3}, {Known: 3}} {
			if got, err := export.Read(ctx, to, path); err != nil || !sameTaken(got, taken) {
				t.Fatalf("%s, round %d: %+v, %v", form, round, got, err)
			}
		}
		if got, _ := to.Passes(ctx, store.Filter{}); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: passes\n got %+v\nwant %+v", form, got, want)
		}
		for _, p := range want {
			a, err := from.Whole(ctx, p.ID)
			if err != nil {
				t.Fatal(err)
			}
			b, err := to.Whole(ctx, p.ID)
			if err != nil || !reflect.DeepEqual(a.Frames, b.Frames) ||
				fmt.Sprint(*a.Telemetry) != fmt.Sprint(*b.Telemetry) ||
				!reflect.DeepEqual(a.System, b.System) {
				t.Errorf("%s: pass %s is not the same on both sides: %v", form, p.ID, err)
			}
		}
	}
}

// What is no package, or one that lies about its form, is refused with the place, whatever
// form it claims.
func TestFormsThatLieAreRefused(t *testing.T) {
	from, to := newStore(t), newStore(t)
	add(t, from, 1, "Glass Halyard")
	for _, c := range []struct {
		form        export.Format
		table, text string
		want        string
	}{
		{export.CSV, "frames", "pass,n,ms\nx,one,2\n", "is no number in the column n"},
		{export.CSV, "frames", "", "there is no line of headings"},
		{export.CSV, "passes", "pass,decimals\n{},3\n", "line 1"},
		{export.CSV, "frames", "pass,n,ms\n\"" + strings.Repeat("x", 17<<20), "a line of more than 16 MiB"},
		{export.CSV, "frames", "pass,n,ms\n\"" + strings.Repeat("x\n", 9<<20), "a line of more than 16 MiB"},
		{export.Parquet, "frames", "PAR1 nothing PAR1", "frames/"},
		{export.Parquet, "passes", "", "passes/"},
	} {
		dir := t.TempDir()
		write(t, from, dir, c.form)
		for name := range files(t, dir) {
			if strings.HasPrefix(name, c.table+"/") {
				if err := os.WriteFile(filepath.Join(dir, name), []byte(c.text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
		if _, err := export.Read(ctx, to, dir); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s with %.20q: %v, want %s", c.form, c.text, err, c.want)
		}
	}
	no := filepath.Join(t.TempDir(), "no.zip")
	if err := os.WriteFile(no, []byte("no package"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := export.Read(ctx, to, no); err == nil || !strings.Contains(err.Error(), "this is no package") {
		t.Errorf("%v", err)
	}
	if all, _ := to.Passes(ctx, store.Filter{}); len(all) > 0 {
		t.Errorf("%d passes were taken", len(all))
	}
}

// A file from a colleague is a ZIP archive, and no name in it leads anywhere else.
func TestNamesInAFileStayInIt(t *testing.T) {
	to, dir := newStore(t), t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "secret.jsonl"), []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "evil.zip")
	out, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(out)
	for name, text := range map[string]string{"datapackage.json": `{"resources":[{"name":"passes","format":"jsonl","path":["passes/../../secret.jsonl"]}]}`,
		"../secret.jsonl": "{}"} {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		w.Write([]byte(text))
	}
	if err := errors.Join(z.Close(), out.Close()); err != nil {
		t.Fatal(err)
	}
	if _, err := export.Read(ctx, to, path); err == nil || strings.Contains(err.Error(), "secret.jsonl, line") {
		t.Errorf("%v", err)
	}
}

// TestExportAfterCorrectionsComesBackWhole: two exports into one folder with corrections and
// verdicts by hand between them, taken in by an empty store, field by field.
func TestExportAfterCorrectionsComesBackWhole(t *testing.T) {
	from := newStore(t)
	var ids []string
	for i := range 4 {
		ids = append(ids, add(t, from, i, "Glass Halyard").ID)
	}
	dir := t.TempDir()
	write(t, from, dir, export.JSONLines)
	_, err := from.Retag(
		ctx,
		ids[:2],
		map[string]string{"game": "Tin Valley", "note": "second build"},
		"jo",
		"wrong folder",
	)
	must(t, err)
	must(t, from.Overrule(ctx, ids[2], record.VerdictBad, "cooler fell off", "jo"))
	must(
		t,
		from.ReplaceFindings(
			ctx,
			ids[3],
			[]record.Finding{
				{Check: "thermal", Outcome: record.Doubtful, Reason: "warm", Numbers: map[string]float64{"x": 1.5}},
			},
			record.VerdictDoubtful,
			"",
			"jo",
		),
	)
	write(t, from, dir, export.JSONLines)
	to := newStore(t)
	if taken, err := export.Read(ctx, to, dir); err != nil || taken.New != 4 {
		t.Fatalf("%+v, %v", taken, err)
	}
	for _, id := range ids {
		want, err := from.Whole(ctx, id)
		must(t, err)
		got, err := to.Whole(ctx, id)
		must(t, err)
		if fmt.Sprintf("%+v", *got.Telemetry) != fmt.Sprintf("%+v", *want.Telemetry) {
			t.Errorf("pass %s: samples\n%+v\n%+v", id, *got.Telemetry, *want.Telemetry)
		}
		got.Telemetry, want.Telemetry, got.File, want.File = nil, nil, store.FileMark{}, store.FileMark{}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("pass %s\n%+v\n%+v", id, got.Pass, want.Pass)
		}
	}
	cells := func(s *store.Store) (out [][]any) {
		rows, err := s.Query(
			ctx,
			"SELECT cpu, gpu, game, passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cells ORDER BY game",
		)
		must(t, err)
		defer rows.Close()
		for {
			row, err := rows.Next()
			must(t, err)
			if row == nil {
				return out
			}
			out = append(out, row)
		}
	}
	if got, want := cells(to), cells(from); !reflect.DeepEqual(got, want) || len(want) != 2 {
		t.Errorf("cells\n%v\n%v", got, want)
	}
}

func TestHostilePackagesAreRefused(t *testing.T) {
	from := newStore(t)
	add(t, from, 1, "Glass Halyard")
	good := t.TempDir()
	write(t, from, good, export.JSONLines)
	secret := filepath.Join(t.TempDir(), "secret.jsonl")
	if err := os.WriteFile(secret, []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	edit := func(table, old, new string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			for name := range files(t, dir) {
				if !strings.HasPrefix(name, table) {
					continue
				}
				path := filepath.Join(dir, name)
				text, _ := os.ReadFile(path)
				changed := bytes.Replace(text, []byte(old), []byte(new), 1)
				if bytes.Equal(changed, text) {
					t.Fatalf("%q is not in %s", old, name)
				}
				if err := os.WriteFile(path, changed, 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	for name, spoil := range map[string]func(t *testing.T, dir string){
		"folder upwards":    edit("datapackage.json", `"passes/`, `"../passes/`),
		"backslashes":       edit("datapackage.json", `"passes/`, `"passes/..\\..\\`),
		"drive":             edit("datapackage.json", `"passes/`, `"passes/C:`),
		"zero byte":         edit("datapackage.json", `"passes/`, `"passes/\u0000`),
		"dots within":       edit("datapackage.json", `"passes/`, `"passes/./`),
		"upper-case hash":   edit("passes", `\"sha256\":\"`, `\"sha256\":\"A`),
		"foreign identity":  edit("passes", `\"id\":\"`, `\"id\":\"0`),
		"a long line":       edit("frames", `{"pass":`, `{"x":"`+strings.Repeat("x", 17<<20)+`","pass":`),
		"path upwards":      edit("datapackage.json", `"passes/`, `"passes/../../`),
		"absolute path":     edit("datapackage.json", `"passes/`, `"/etc/`),
		"other table":       edit("datapackage.json", `"passes/`, `"frames/`),
		"no JSON":           edit("datapackage.json", `{`, `[`),
		"not a hash":        edit("passes", `"pass":"{\"id\":\"`, `"pass":"{\"id\":\"zz`),
		"verdict":           edit("passes", `\"verdict\":\"clean\"`, `\"verdict\":\"splendid\"`),
		"no bench":          edit("passes", `\"bench\":\"bench-1\"`, `\"bench\":\"\"`),
		"frames are not ms": edit("frames", `"ms":`, `"ms":-`),
		"number too large":  edit("frames", `"ms":`, `"ms":1e999`),
		"order of frames":   edit("frames", `"n":2,`, `"n":7,`),
		"unknown pass":      edit("frames", `{"pass":"`, `{"pass":"0`),
		"sample order":      edit("telemetry", `"n":2,`, `"n":5,`),
		"other system":      edit("passes", `Aster 7`, `Aster 8`),
		"twice the same pass": func(t *testing.T, dir string) {
			eachFile(t, dir, "passes/", func(line map[string]any) []map[string]any { return []map[string]any{line, line} })
		},
		"no plain file": func(t *testing.T, dir string) {
			for name := range files(t, dir) {
				if strings.HasPrefix(name, "frames/") {
					must(t, os.Remove(filepath.Join(dir, name)))
					must(t, os.Mkdir(filepath.Join(dir, name), 0o700))
				}
			}
		},
		"link out of it": func(t *testing.T, dir string) {
			for name := range files(t, dir) {
				if strings.HasPrefix(name, "passes/") {
					os.Remove(filepath.Join(dir, name))
					if err := os.Symlink(secret, filepath.Join(dir, name)); err != nil {
						t.Skipf("no links here: %v", err)
					}
				}
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS(good)); err != nil {
				t.Fatal(err)
			}
			spoil(t, dir)
			to := newStore(t)
			taken, err := export.Read(ctx, to, dir)
			if err == nil {
				t.Errorf("taken in: %+v", taken)
			}
			if n, _ := to.Count(ctx, store.Filter{}); n != 0 {
				t.Errorf("%d passes were stored", n)
			}
		})
	}
}

func TestRowsFindsTheTypes(t *testing.T) {
	rows := [][]any{{int64(1), int64(2), "a", nil, nil}, {int64(3), 2.5, int64(7), nil, []byte("b")}}
	var out bytes.Buffer
	i := 0
	err := export.Rows(&out, []string{"i", "f", "s", "none", "b"}, func() ([]any, error) {
		if i == len(rows) {
			return nil, nil
		}
		i++
		return rows[i-1], nil
	})
	if err != nil {
		t.Fatal(err)
	}
	type row struct {
		I    *int64   `parquet:"i,optional"`
		F    *float64 `parquet:"f,optional"`
		S    *string  `parquet:"s,optional"`
		None *string  `parquet:"none,optional"`
		B    *string  `parquet:"b,optional"`
	}
	got, err := parquet.Read[row](bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil || len(got) != 2 || *got[1].I != 3 || *got[0].F != 2 || *got[1].F != 2.5 || *got[1].S != "7" ||
		got[0].None != nil ||
		*got[1].B != "b" {
		t.Errorf("%+v, %v", got, err)
	}
}

// sameTaken compares how many passes became what.
func sameTaken(a, b export.Taken) bool {
	a.IDs, b.IDs = nil, nil
	return reflect.DeepEqual(a, b)
}
