package store_test

import (
	"database/sql"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

var (
	scale     = flag.Int("passes", 20_000, "passes in the store of the scale benchmarks; 1000000 for the figures of docs/store.md")
	scaleFile = flag.String("scale-store", "", "keep the store of the scale benchmarks in this file and use it again")
)

// perCell is how many passes a cell of the synthetic store has; there are 20 processors,
// 30 cards, 15 games, 3 resolutions and 4 presets at most.
const perCell = 10

// bigStore makes a store of synthetic passes, without frame times: what is measured is
// finding passes.
func bigStore(b *testing.B) *store.Store {
	b.Helper()
	path := *scaleFile
	if path == "" {
		path = filepath.Join(b.TempDir(), "passes.db")
	}
	if _, err := os.Stat(path); err != nil {
		mustOpen(b, path).Close()
		fill(b, path, *scale)
	}
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

func fill(b testing.TB, path string, passes int) {
	db, err := sql.Open("sqlite", path)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	numbers := fmt.Sprintf("WITH RECURSIVE c(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM c WHERE i < %d - 1) ", passes)
	cells := (passes + perCell - 1) / perCell
	for _, step := range []string{
		"PRAGMA synchronous = off; PRAGMA cache_size = -200000; BEGIN",
		"INSERT INTO system_rows (id, fields) VALUES ('0123456789abcdef', '[]')",
		fmt.Sprintf(`WITH RECURSIVE c(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM c WHERE i < %d - 1)
			INSERT INTO cell_rows (n, cpu, gpu, game, scene, resolution, preset)
			SELECT i + 1, 'cpu ' || (i %% 20), 'gpu ' || (i / 20 %% 30), 'game ' || (i / 600 %% 15), 'scene ' || (i / 108000), 'res ' || (i / 9000 %% 3), 'preset ' || (i / 27000 %% 4) FROM c`, cells),
		numbers + fmt.Sprintf(`INSERT INTO pass_rows (n, id, sha256, bench, log, at, started_at, ended_at, log_at, stored_at, state, revision, cell, system, verdict, judgement, doc,
			frames, duration_s, avg_fps, median_ms, p95_ms, p99_ms, p999_ms, max_ms, low1_fps, low01_fps, low1_time_fps, p99_fps, hitches, low1_sparse, low01_sparse)
			SELECT i + 1, printf('%%012x', i * 281474976 %% 281474976710655), printf('%%064x', i), 'bench ' || (i %% 40), '/logs/' || i || '.csv',
			strftime('%%Y-%%m-%%dT%%H:%%M:%%S', 1700000000 + i * 60, 'unixepoch') || '.000000Z',
			strftime('%%Y-%%m-%%dT%%H:%%M:%%S', 1700000000 + i * 60, 'unixepoch') || '.000000Z', '', '', '', 'notified', 0,
			(i * 7919) %% %d + 1, 1, CASE WHEN i %% 100 < 4 THEN 'bad' WHEN i %% 100 < 9 THEN 'doubtful' ELSE 'clean' END, NULL,
			'{"layout":{"delimiter":",","decimal":".","header":true,"source":"duration","column":"took_ms","unit":"ms"}}',
			5400, 60.0, 60 + (i * 31 %% 1000) / 10.0, 11.1, 12.9, 14.2, 19.0, 31.2, 40 + (i * 17 %% 1000) / 20.0, 48.1, 68.9, 70.4, 3, 0, 0 FROM c`, cells),
		"INSERT INTO terms (name, value) SELECT DISTINCT 'cpu', cpu FROM cell_rows UNION ALL SELECT DISTINCT 'gpu', gpu FROM cell_rows UNION ALL SELECT DISTINCT 'game', game FROM cell_rows" +
			" UNION ALL SELECT DISTINCT 'resolution', resolution FROM cell_rows UNION ALL SELECT DISTINCT 'preset', preset FROM cell_rows UNION ALL SELECT DISTINCT 'scene', scene FROM cell_rows UNION ALL SELECT 'kit', 'kit ' || value FROM generate_series_50 WHERE value < 7 UNION ALL SELECT 'campaign', 'campaign ' || value FROM generate_series_50",
	} {
		if step == "" {
			continue
		}
		if _, err := db.Exec(fixSeries(step)); err != nil {
			b.Fatalf("%.80s: %v", step, err)
		}
	}
	for _, name := range []string{"cpu", "gpu", "game", "resolution", "preset"} {
		exec := `INSERT INTO tag_rows (pass, term, origin) SELECT p.n, t.n, 'path' FROM pass_rows p JOIN cell_rows c ON c.n = p.cell JOIN terms t ON t.name = '` + name + `' AND t.value = c.` + name
		if _, err := db.Exec(exec); err != nil {
			b.Fatal(err)
		}
	}
	if _, err := db.Exec(`INSERT INTO tag_rows (pass, term, origin) SELECT p.n, t.n, 'plan' FROM pass_rows p JOIN terms t ON t.name = 'campaign' AND t.value = 'campaign ' || (p.n * 50 / ` + fmt.Sprint(passes+1) + `)`); err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec(`INSERT INTO tag_rows (pass, term, origin) SELECT p.n, t.n, 'hand' FROM pass_rows p JOIN terms t ON t.name = 'kit' AND t.value = 'kit ' || (p.n % 7)`); err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec("UPDATE pass_rows SET campaign = 'campaign ' || (n * 50 / " + fmt.Sprint(passes+1) + ")"); err != nil {
		b.Fatal(err)
	}
	if _, err := db.Exec("COMMIT; PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		b.Fatal(err)
	}
}

// fixSeries spells out the numbers 0 to 49, since the database has no series of its own.
func fixSeries(text string) string {
	return strings.ReplaceAll(text, "generate_series_50",
		"(WITH RECURSIVE s(value) AS (SELECT 0 UNION ALL SELECT value + 1 FROM s WHERE value < 49) SELECT value FROM s)")
}

func BenchmarkPageOf50(b *testing.B) {
	s := bigStore(b)
	tags := func(kv ...string) map[string]string {
		m := map[string]string{}
		for i := 0; i < len(kv); i += 2 {
			m[kv[i]] = kv[i+1]
		}
		return m
	}
	start := time.Unix(1700000000, 0)
	for _, c := range []struct {
		name string
		f    store.Filter
	}{
		{"latest", store.Filter{}},
		{"latest-bad", store.Filter{Verdicts: []record.Verdict{record.VerdictBad}}},
		{"bench", store.Filter{Bench: "bench 7"}},
		{"one-tag", store.Filter{Tags: tags("game", "game 3")}},
		{"two-tags", store.Filter{Tags: tags("game", "game 3", "gpu", "gpu 11")}},
		{"one-cell", store.Filter{Tags: tags("game", "game 3", "gpu", "gpu 11", "cpu", "cpu 4", "resolution", "res 1", "preset", "preset 2")}},
		{"pattern", store.Filter{Tags: tags("gpu", "gpu 1*", "cpu", "cpu 4")}},
		{"campaign", store.Filter{Campaign: "campaign 2"}},
		{"campaign-and-tags", store.Filter{Campaign: "campaign 2", Tags: tags("game", "game 3", "cpu", "cpu 4")}},
		{"campaign-bad", store.Filter{Campaign: "campaign 2", Verdicts: []record.Verdict{record.VerdictBad}}},
		{"two-days", store.Filter{Since: start.Add(24 * time.Hour), Until: start.Add(72 * time.Hour)}},
		{"nothing", store.Filter{Tags: tags("game", "game 3", "gpu", "none")}},
		{"both-common-never-together", store.Filter{Campaign: "campaign 2", Since: start.Add(15000 * time.Hour)}},
		{"system", store.Filter{System: "0123"}},
		{"one-part", store.Filter{Tags: tags("cpu", "cpu 4")}},
		{"two-verdicts", store.Filter{Verdicts: []record.Verdict{record.VerdictBad, record.VerdictDoubtful}}},
		{"bench-pattern-bad", store.Filter{Bench: "bench 1*", Verdicts: []record.Verdict{record.VerdictBad}}},
		{"bench-and-part", store.Filter{Bench: "bench 7", Tags: tags("gpu", "gpu 11")}},
		{"part-bad", store.Filter{Tags: tags("gpu", "gpu 11"), Verdicts: []record.Verdict{record.VerdictBad}}},
		{"pattern-campaign", store.Filter{Campaign: "campaign 2", Tags: tags("gpu", "gpu 1*", "cpu", "cpu 4")}},
		{"own-tag", store.Filter{Tags: tags("kit", "kit 3")}},
		{"own-tag-and-part", store.Filter{Tags: tags("kit", "kit 3", "gpu", "gpu 11")}},
		{"bench-and-part-never-together", store.Filter{Bench: "bench 10", Tags: tags("cpu", "cpu 4")}},
		{"part-and-doubtful-never-together", store.Filter{Tags: tags("cpu", "cpu 4"), Verdicts: []record.Verdict{record.VerdictDoubtful}}},
		{"own-tag-bench-and-part-never-together", store.Filter{Bench: "bench 10", Tags: tags("kit", "kit 3", "cpu", "cpu 4")}},
		{"bench-and-doubtful-never-together", store.Filter{Bench: "bench 10", Verdicts: []record.Verdict{record.VerdictDoubtful}}},
		{"own-tag-and-part-never-together", store.Filter{Tags: tags("kit", "kit 3", "cpu", "cpu 4", "gpu", "gpu [12]?"), Verdicts: []record.Verdict{record.VerdictDoubtful}}},
		{"bench-pattern-and-part-never-together", store.Filter{Bench: "bench 1?", Tags: tags("cpu", "cpu 15")}},
		{"without-tag", store.Filter{Tags: tags("nowhere", "", "gpu", "gpu 11")}},
	} {
		c.f.Newest, c.f.Limit = true, 50
		b.Run(c.name, func(b *testing.B) {
			n, best := 0, time.Hour
			for b.Loop() {
				start := time.Now()
				list, err := s.Passes(ctx, c.f)
				if err != nil {
					b.Fatal(err)
				}
				n, best = len(list), min(best, time.Since(start))
			}
			b.ReportMetric(float64(n), "passes")
			b.ReportMetric(float64(best.Microseconds())/1000, "best-ms") // what other work on the machine disturbs least
		})
	}
}

// TestPagesAreThoseOfTheWholeSelection asks for pages in every way in which they are looked
// for and compares with a plain test of each pass.
func TestPagesAreThoseOfTheWholeSelection(t *testing.T) {
	path := filepath.Join(t.TempDir(), "passes.db")
	mustOpen(t, path).Close()
	fill(t, path, 12_000)
	s := mustOpen(t, path)
	all, err := s.Passes(ctx, store.Filter{})
	if err != nil || len(all) != 12_000 {
		t.Fatalf("%d passes, %v", len(all), err)
	}
	start := time.Unix(1700000000, 0)
	for _, c := range []struct {
		f    store.Filter
		test func(record.Pass) bool
	}{
		{store.Filter{}, func(p record.Pass) bool { return true }},
		{store.Filter{Tags: map[string]string{"kit": "kit 3"}}, func(p record.Pass) bool { return p.Tags.Value("kit") == "kit 3" }},
		{store.Filter{Tags: map[string]string{"kit": "kit 3", "cpu": "cpu 4"}}, func(p record.Pass) bool { return p.Tags.Value("kit") == "kit 3" && p.Tags.Value("cpu") == "cpu 4" }},
		{store.Filter{Tags: map[string]string{"kit": "kit [345]", "game": "game ?"}}, func(p record.Pass) bool {
			k := p.Tags.Value("kit")
			return (k == "kit 3" || k == "kit 4" || k == "kit 5") && len(p.Tags.Value("game")) == 6
		}},
		{store.Filter{Tags: map[string]string{"preset": "preset 0"}, Verdicts: []record.Verdict{record.VerdictBad, record.VerdictDoubtful}}, func(p record.Pass) bool {
			return p.Tags.Value("preset") == "preset 0" && p.Verdict != record.Clean
		}},
		{store.Filter{System: "0123", Bench: "bench 1*"}, func(p record.Pass) bool { return strings.HasPrefix(p.Bench, "bench 1") }},
		{store.Filter{Verdicts: []record.Verdict{record.Clean}, Tags: map[string]string{"none": ""}, Since: start.Add(40 * time.Hour), Until: start.Add(150 * time.Hour)}, func(p record.Pass) bool {
			return p.Verdict == record.Clean && !p.StartedAt.Before(start.Add(40*time.Hour)) && p.StartedAt.Before(start.Add(150*time.Hour))
		}},
		{store.Filter{Campaign: "campaign 7", Tags: map[string]string{"gpu": "gpu 1*"}}, func(p record.Pass) bool {
			return p.Tags.Value("campaign") == "campaign 7" && strings.HasPrefix(p.Tags.Value("gpu"), "gpu 1")
		}},
		{store.Filter{Tags: map[string]string{"kit": "kit 3", "preset": "preset 0"}, Bench: "bench 3[9]", Verdicts: []record.Verdict{record.Clean}}, func(p record.Pass) bool {
			return p.Tags.Value("kit") == "kit 3" && p.Bench == "bench 39" && p.Verdict == record.Clean
		}},
		{store.Filter{Tags: map[string]string{"kit": "kit 3", "resolution": "none"}}, func(p record.Pass) bool { return false }},
	} {
		for _, newest := range []bool{false, true} {
			var want []string
			for _, p := range all {
				if c.test(p) {
					want = append(want, p.ID)
				}
			}
			if newest {
				slices.Reverse(want)
			}
			if n, err := s.Count(ctx, c.f); err != nil || n != len(want) {
				t.Errorf("%+v: %d passes, want %d, %v", c.f, n, len(want), err)
			}
			for _, page := range [][2]int{{0, 50}, {0, 500}, {130, 50}, {len(want) - min(20, len(want)), 50}, {0, 0}} {
				c.f.Newest, c.f.Offset, c.f.Limit = newest, page[0], page[1]
				list, err := s.Passes(ctx, c.f)
				if err != nil {
					t.Fatal(err)
				}
				part := want[min(page[0], len(want)):]
				if page[1] > 0 {
					part = part[:min(page[1], len(part))]
				}
				got := []string{}
				for _, p := range list {
					got = append(got, p.ID)
				}
				if !slices.Equal(got, part) {
					t.Errorf("%+v: %d passes, want %d, or others or in another order", c.f, len(got), len(part))
				}
			}
		}
	}
}

func BenchmarkAllCells(b *testing.B) {
	s := bigStore(b)
	for name, text := range map[string]string{
		"view": "SELECT count(*), sum(avg_fps), sum(avg_fps_sd), sum(low1_fps), sum(low1_fps_sd) FROM cells",
		"figures": `SELECT count(*), sum(a), sum(d) FROM (SELECT cell, avg(avg_fps) AS a,
			sqrt(max(0, sum(avg_fps * avg_fps) - sum(avg_fps) * sum(avg_fps) / count(*)) / nullif(count(*) - 1, 0)) AS d
			FROM figures WHERE verdict <> 'bad' GROUP BY cell)`,
		"plain":      "SELECT count(*), sum(a), sum(d) FROM (SELECT avg_fps AS a, avg_fps_sd AS d FROM cells)",
		"one-cell":   "SELECT * FROM cells WHERE game = 'game 3' AND gpu = 'gpu 11' AND cpu = 'cpu 4' AND resolution = 'res 1' AND preset = 'preset 2'",
		"latest-bad": "SELECT id, game, gpu, avg_fps FROM passes WHERE verdict = 'bad' ORDER BY at DESC LIMIT 50",
	} {
		b.Run(name, func(b *testing.B) {
			best := time.Hour
			for b.Loop() {
				start := time.Now()
				query(b, s, text)
				best = min(best, time.Since(start))
			}
			b.ReportMetric(float64(best.Microseconds())/1000, "best-ms")
		})
	}
}
