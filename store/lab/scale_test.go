package lab_test

import (
	"flag"
	"fmt"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/store"
)

var scale = flag.Int("passes", 20_000, "passes in the database of the scale benchmarks; 1000000 for the figures of docs/store.md")

// BenchmarkLabQueries asks a database of synthetic passes of 40 benches, ten passes per
// cell.
func BenchmarkLabQueries(b *testing.B) {
	a := address(b)
	l := setup(b, a, false)
	cells := (*scale + 9) / 10
	ask(b, a, fmt.Sprintf(`INSERT INTO capd.passes (bench, id, sha256, at, revision, verdict, overruled, campaign, cpu, gpu, game, scene, resolution, preset,
			system, frames, avg_fps, low1_fps, p99_ms, tags, doc)
		SELECT 'bench ' || i %% 40, lpad(to_hex(i), 12, '0'), lpad(to_hex(i), 64, '0'), to_timestamp(1700000000 + i * 60), 0,
			CASE WHEN i %% 100 < 4 THEN 'bad' ELSE 'clean' END, '', 'campaign ' || i * 50 / %d, 'cpu ' || c %% 20, 'gpu ' || c / 20 %% 30, 'game ' || c / 600 %% 15,
			'scene ' || c / 108000, 'res ' || c / 9000 %% 3, 'preset ' || c / 27000 %% 4, '', 5400, 60 + (i * 31 %% 1000) / 10.0, 50, 14.2, '{}',
			convert_to('{"id":"' || lpad(to_hex(i), 12, '0') || '","tags":{"game":{"value":"x","from":"path"}}}', 'UTF8')
		FROM (SELECT i, (i * 7919) %% %d AS c FROM generate_series(0::bigint, %d) AS i) s`, *scale, cells, *scale-1))
	ask(b, a, "VACUUM ANALYZE capd.passes")
	b.Logf("%s in the table, %s with indexes", ask(b, a, "SELECT pg_size_pretty(pg_relation_size('capd.passes'))")[0], ask(b, a, "SELECT pg_size_pretty(pg_total_relation_size('capd.passes'))")[0])
	start := time.Unix(1700000000, 0)
	for name, f := range map[string]store.Filter{
		"latest":     {},
		"latest-bad": {Verdicts: []record.Verdict{record.VerdictBad}},
		"two-tags":   {Tags: map[string]string{"game": "game 3", "gpu": "gpu 11"}},
		"campaign":   {Campaign: "campaign 2"},
		"two-days":   {Since: start.Add(24 * time.Hour), Until: start.Add(72 * time.Hour)},
	} {
		f.Newest, f.Limit = true, 50
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := l.Passes(ctx, f); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("all-cells", func(b *testing.B) {
		for b.Loop() {
			ask(b, a, `SELECT count(*) FROM (SELECT avg(avg_fps), stddev_samp(avg_fps) FROM capd.passes GROUP BY game, gpu, cpu, resolution, preset, scene) c`)
		}
	})
}
