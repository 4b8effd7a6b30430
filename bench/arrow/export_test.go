package arrow_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/array"
	"github.com/apache/arrow-go/v18/arrow/memory"
	"github.com/apache/arrow-go/v18/parquet"
	"github.com/apache/arrow-go/v18/parquet/pqarrow"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

var ctx = context.Background()

// TestReadsAnExportedFolder has Apache Arrow read all files of what capctl export writes.
// Every value of the passes, every frame time and every sample must come through bit for
// bit, with the types that a reader expects, and the average recomputed from the frame
// times must be the stored one.
func TestReadsAnExportedFolder(t *testing.T) {
	s, err := store.Open(ctx, filepath.Join(t.TempDir(), "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	// More passes of one game than one file takes, names that cannot be a folder's, a log
	// without a grid, a pass without campaign, time or samples.
	for i := range 230 {
		add(t, s, i, "Glass Halyard")
	}
	for i, game := range []string{"Tin Valley: 100% / ä", "=1+1", "", "../up"} {
		add(t, s, 1000+i, game)
	}
	dir := t.TempDir()
	if _, err := export.Write(ctx, s, store.Filter{}, dir, export.Parquet); err != nil {
		t.Fatal(err)
	}
	passes, frames, samples := read(t, dir, "passes"), read(t, dir, "frames"), read(t, dir, "telemetry")
	byPass := func(rows []row) map[string][]row {
		out := map[string][]row{}
		for _, r := range rows {
			id := r["pass"].(string)
			out[id] = append(out[id], r)
		}
		return out
	}
	framesOf, samplesOf := byPass(frames), byPass(samples)
	n := 0
	err = s.Each(ctx, store.Filter{}, func(p record.Pass) error {
		n++
		i := slices.IndexFunc(passes, func(r row) bool { return r["id"] == p.ID })
		if i < 0 {
			t.Errorf("pass %s was not read", p.ID)
			return nil
		}
		whole, err := s.Whole(ctx, p.ID)
		if err != nil {
			return err
		}
		comparePass(t, passes[i], p)
		compareFrames(t, framesOf[p.ID], whole)
		compareSamples(t, samplesOf[p.ID], whole.Telemetry)
		return nil
	})
	if err != nil || n != len(passes) || n != 234 {
		t.Errorf("%d passes were read, the store has %d, %v", len(passes), n, err)
	}
}

func comparePass(t *testing.T, r row, p record.Pass) {
	t.Helper()
	m := p.Metrics
	want := row{
		"id": p.ID, "sha256": p.SHA256, "bench": p.Bench, "log": p.Log, "verdict": string(p.Verdict), "revision": int64(p.Revision),
		"cpu": p.Tags.Value("cpu"), "gpu": p.Tags.Value("gpu"), "game": p.Tags.Value("game"), "campaign": p.Tags.Value("campaign"),
		"frames": int64(m.Frames), "hitches": int64(m.Hitches), "duration_s": m.DurationS, "avg_fps": m.AvgFPS, "median_ms": m.MedianMS,
		"p95_ms": m.P95MS, "p99_ms": m.P99MS, "p999_ms": m.P999MS, "max_ms": m.MaxMS, "low1_fps": m.Low1FPS, "low01_fps": m.Low01FPS,
		"low1_time_fps": m.Low1TimeFPS, "p99_fps": m.P99FPS, "started_at": nil,
	}
	if !p.StartedAt.IsZero() {
		want["started_at"] = p.StartedAt
	}
	for name, v := range want {
		if !same(r[name], v) {
			t.Errorf("pass %s: %s is read as %v, the store has %v", p.ID, name, r[name], v)
		}
	}
}

func compareFrames(t *testing.T, rows []row, a store.Arrival) {
	t.Helper()
	if len(rows) != len(a.Frames.MS) {
		t.Errorf("pass %s: %d frames are read, the store has %d", a.Pass.ID, len(rows), len(a.Frames.MS))
		return
	}
	slices.SortFunc(rows, func(x, y row) int { return int(x["n"].(int64) - y["n"].(int64)) })
	read := record.Frames{Decimals: a.Frames.Decimals}
	for i, r := range rows {
		if !same(r["ms"], a.Frames.MS[i]) || r["n"] != int64(i+1) {
			t.Errorf("pass %s: frame %d is read as %v, %v ms; the store has %v ms", a.Pass.ID, i+1, r["n"], r["ms"], a.Frames.MS[i])
			return
		}
		read.MS = append(read.MS, r["ms"].(float64))
	}
	if m, err := metrics.Compute(read); err != nil || m != a.Pass.Metrics {
		t.Errorf("pass %s: from what is read come %+v, the store has %+v, %v", a.Pass.ID, m, a.Pass.Metrics, err)
	}
}

func compareSamples(t *testing.T, rows []row, want *record.Telemetry) {
	t.Helper()
	if want == nil {
		if len(rows) > 0 {
			t.Errorf("%d samples are read of a pass that has none", len(rows))
		}
		return
	}
	for _, s := range want.Series {
		for i, x := range s.Values {
			var value any
			if !math.IsNaN(x) {
				value = x
			}
			found := slices.ContainsFunc(rows, func(r row) bool {
				return r["series"] == s.Name && r["unit"] == s.Unit && r["n"] == int64(i+1) && same(r["at"], want.At[i]) && same(r["value"], value)
			})
			if !found {
				t.Errorf("sample %d of %s, %v, was not read", i+1, s.Name, x)
			}
		}
	}
}

// same compares two values, numbers bit for bit.
func same(got, want any) bool {
	switch w := want.(type) {
	case float64:
		g, ok := got.(float64)
		return ok && math.Float64bits(g) == math.Float64bits(w)
	case time.Time:
		g, ok := got.(time.Time)
		return ok && g.Equal(w)
	}
	return got == want
}

// row is one row of a table by the names of its columns, null as nil.
type row map[string]any

// read returns the rows of all files of a table, with the partitions in their paths.
func read(t *testing.T, dir, table string) (out []row) {
	t.Helper()
	files := 0
	err := filepath.WalkDir(filepath.Join(dir, table), func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		files++
		f, err := os.Open(path)
		if err != nil {
			return err
		}
		defer f.Close()
		tab, err := pqarrow.ReadTable(ctx, f, parquet.NewReaderProperties(memory.DefaultAllocator), pqarrow.ArrowReadProperties{}, memory.DefaultAllocator)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		defer tab.Release()
		part := map[string]string{}
		for folder := range strings.SplitSeq(filepath.ToSlash(path), "/") {
			if name, value, ok := strings.Cut(folder, "="); ok {
				if value == "__HIVE_DEFAULT_PARTITION__" {
					value = ""
				}
				if part[name], err = url.PathUnescape(value); err != nil {
					return err
				}
			}
		}
		out = append(out, rowsOf(t, tab, part)...)
		return nil
	})
	if err != nil || files == 0 {
		t.Fatalf("%d files of %s, %v", files, table, err)
	}
	return out
}

func rowsOf(t *testing.T, tab arrow.Table, part map[string]string) []row {
	out := make([]row, tab.NumRows())
	for i := range out {
		out[i] = row{}
		for name, value := range part {
			out[i][name] = value
		}
	}
	for c := range int(tab.NumCols()) {
		name, i := tab.Column(c).Name(), 0
		for _, chunk := range tab.Column(c).Data().Chunks() {
			for k := range chunk.Len() {
				out[i][name] = valueOf(t, chunk, k)
				i++
			}
		}
	}
	return out
}

func valueOf(t *testing.T, chunk arrow.Array, k int) any {
	if chunk.IsNull(k) {
		return nil
	}
	switch a := chunk.(type) {
	case *array.String:
		return a.Value(k)
	case *array.Int64:
		return a.Value(k)
	case *array.Float64:
		return a.Value(k)
	case *array.Timestamp:
		if kind := a.DataType().(*arrow.TimestampType); kind.Unit != arrow.Microsecond || kind.TimeZone != "UTC" {
			t.Fatalf("a time is read as %s", kind)
		}
		return a.Value(k).ToTime(arrow.Microsecond)
	}
	t.Fatalf("a column is read as %s", chunk.DataType())
	return nil
}

// add stores pass number i of a game, checked.
func add(t *testing.T, s *store.Store, i int, game string) {
	t.Helper()
	sum := sha256.Sum256(fmt.Append(nil, "log ", i))
	f := record.Frames{MS: testlab.Scene{Seed: uint64(i), FPS: 60, Seconds: 2}.Frames(), Decimals: 3}
	at := time.Date(2026, 3, 4, 9, i, 0, 250_001_000, time.UTC)
	a := store.Arrival{
		Pass: record.Pass{
			SHA256: hex.EncodeToString(sum[:]), Bench: "bench-1", Log: fmt.Sprintf("/logs/%d.csv", i), StartedAt: at, EndedAt: at.Add(2 * time.Second),
			Tags: record.Tags{"game": {Value: game, From: record.FromPath}, "campaign": {Value: "spring", From: record.FromPlan}, "cpu": {Value: "Aster 7 \"ö\"\n", From: record.FromDetected}},
		},
		Telemetry: &record.Telemetry{
			At: []time.Time{at, at.Add(time.Second)},
			Series: []record.Series{
				{Name: "cpu.temp", Unit: "degrees C", Source: "test", Values: []float64{51.5, math.NaN()}},
				{Name: "cpu.clock", Unit: "MHz", Source: "test", Values: []float64{4700.1, math.Nextafter(4700.1, 5000)}},
			},
		},
		File: store.FileMark{Path: fmt.Sprintf("/logs/%d.csv", i), Size: 9, ModTime: at},
	}
	if game == "" {
		for k := range f.MS {
			f.MS[k] = math.Nextafter(f.MS[k], 0) * math.Pi
		}
		f.Decimals = -1
		a.Telemetry, a.Pass.StartedAt, a.Pass.EndedAt = nil, time.Time{}, time.Time{}
		delete(a.Pass.Tags, "campaign")
	}
	a.Frames = f
	var err error
	if a.Pass.Metrics, err = metrics.Compute(f); err != nil {
		t.Fatal(err)
	}
	saved, err := s.Save(ctx, a)
	if err == nil {
		err = s.Finish(ctx, saved.ID, []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}, record.Clean)
	}
	if err != nil {
		t.Fatal(err)
	}
}
