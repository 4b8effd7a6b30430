package lab_test

import (
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
)

var scale = flag.Int("passes", 20_000, "passes in the database of the scale benchmarks; 1000000 for the figures of docs/store.md")

// fill puts synthetic passes of 40 benches into a lab, ten per cell, a minute apart: copies of
// one that a bench sent, each with an identity, a time and tags of its own, so that every row
// is what it says.
func fill(t testing.TB, a string, l *lab.Lab, passes int) {
	t.Helper()
	s := newStore(t)
	f := record.Frames{MS: testlab.Scene{Seed: 1, FPS: 90, Seconds: 60}.Frames(), Decimals: 3}
	m, err := metrics.Compute(f)
	if err != nil {
		t.Fatal(err)
	}
	tags := record.Tags{}
	for _, name := range []string{"campaign", "cpu", "gpu", "game", "scene", "resolution", "preset"} {
		tags[name] = record.Tag{Value: "@" + name, From: record.FromPath}
	}
	sys := record.System{Fields: []record.Field{{Name: record.FieldProcessorName, Value: "Aster 7", Identity: true}}}
	sys.ID = sys.Identity()
	sum := sha256.Sum256([]byte("template"))
	p, err := s.Save(ctx, store.Arrival{Frames: f, System: sys, Pass: record.Pass{SHA256: hex.EncodeToString(sum[:]), Bench: "@bench", Log: "/logs/1.csv",
		StartedAt: day, Tags: tags, Metrics: m}})
	var findings []record.Finding
	for i := range 11 {
		findings = append(findings, record.Finding{Check: fmt.Sprint("check ", i), Version: "1", Outcome: record.OK, Reason: "nothing to say", Numbers: map[string]float64{"limit": 0.5}})
	}
	if err == nil {
		err = s.Finish(ctx, p.ID, findings, record.Clean)
	}
	if err != nil {
		t.Fatal(err)
	}
	send(t, s, "@bench", a, 1)
	cells := (passes + 9) / 10
	replaced := func(text string) string {
		for _, name := range []string{"bench", "campaign", "cpu", "gpu", "game", "scene", "resolution", "preset"} {
			text = "replace(" + text + ", '\"@" + name + "\"', '\"' || n." + name + " || '\"')"
		}
		return text
	}
	ask(t, a, fmt.Sprintf(`CREATE TABLE template AS SELECT p.*, a.frames AS blob FROM capd.passes p JOIN capd.archives a USING (bench, id);
		DELETE FROM capd.passes; DELETE FROM capd.archives; DELETE FROM capd.firsts;
		CREATE UNLOGGED TABLE n AS SELECT i, encode(sha256(i::text::bytea), 'hex') AS h, to_timestamp(1700000000 + i * 60) AS at, 'bench ' || i %% 40 AS bench,
			'campaign ' || i * 50 / %d AS campaign, 'cpu ' || c %% 20 AS cpu, 'gpu ' || c / 20 %% 30 AS gpu, 'game ' || c / 600 %% 15 AS game,
			'scene ' || c / 108000 AS scene, 'res ' || c / 9000 %% 3 AS resolution, 'preset ' || c / 27000 %% 4 AS preset,
			CASE WHEN i %% 100 < 4 THEN 'bad' ELSE 'clean' END AS verdict FROM (SELECT i, (i * 7919) %% %d AS c FROM generate_series(0::bigint, %d) AS i) s;
		INSERT INTO capd.passes SELECT n.bench, left(n.h, 12), n.h, n.at, 0, n.verdict, '', n.campaign, n.cpu, n.gpu, n.game, n.scene, n.resolution, n.preset, t.system,
			t.frames, t.avg_fps, t.low1_fps, t.p99_ms, %s::jsonb, convert_to(replace(replace(replace(replace(%s, t.sha256, n.h), '"' || t.id || '"', '"' || left(n.h, 12) || '"'),
			'"2026-03-04T09:00:00Z"', '"' || to_char(n.at AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"') || '"'), '"verdict":"clean"', '"verdict":"' || n.verdict || '"'), 'UTF8'), NULL
			FROM n, template t;
		INSERT INTO capd.archives SELECT n.bench, left(n.h, 12), t.blob, NULL, NULL FROM n, template t;
		INSERT INTO capd.firsts SELECT left(n.h, 12), n.bench, NULL FROM n;
		INSERT INTO capd.systems SELECT DISTINCT n.bench, s.id, NULL, s.fields FROM n, capd.systems s`, passes, cells, passes-1,
		replaced("t.tags::text"), replaced("convert_from(t.doc, 'UTF8')")))
	ask(t, a, "VACUUM ANALYZE capd.passes")
	t.Logf("%s in the table, %s with indexes, %s frame times", ask(t, a, "SELECT pg_size_pretty(pg_relation_size('capd.passes'))")[0],
		ask(t, a, "SELECT pg_size_pretty(pg_total_relation_size('capd.passes'))")[0], ask(t, a, "SELECT pg_size_pretty(pg_total_relation_size('capd.archives'))")[0])
}

// BenchmarkLabQueries asks a database of synthetic passes of 40 benches, ten passes per
// cell.
func BenchmarkLabQueries(b *testing.B) {
	a := address(b)
	l := setup(b, a, false)
	fill(b, a, l, *scale)
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
	for name, asSent := range map[string]bool{"all": false, "all-as-sent": true} {
		b.Run(name, func(b *testing.B) {
			l, err := lab.Open(ctx, a)
			if err != nil {
				b.Fatal(err)
			}
			defer l.Close()
			if asSent {
				l.AsSent()
			}
			for b.Loop() {
				n := 0
				if err := l.Each(ctx, store.Filter{}, func(record.Pass) error { n++; return nil }); err != nil || n != *scale {
					b.Fatal(n, err)
				}
			}
			if notes, _ := l.Notes(); len(notes) > 0 {
				b.Fatal(notes[0])
			}
			b.ReportMetric(float64(*scale)*float64(b.N)/b.Elapsed().Seconds(), "passes/s")
		})
	}
	b.Run("status", func(b *testing.B) {
		for b.Loop() {
			if _, err := l.Status(ctx); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("by-campaign", func(b *testing.B) {
		for b.Loop() {
			if _, err := l.Batches(ctx, store.Filter{}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("all-cells", func(b *testing.B) {
		for b.Loop() {
			ask(b, a, `SELECT count(*) FROM (SELECT avg(avg_fps), stddev_samp(avg_fps) FROM capd.passes GROUP BY game, gpu, cpu, resolution, preset, scene) c`)
		}
	})
}
