-- The views that queries use: names, columns and meaning are a promise (docs/store.md).

ALTER TABLE pass_rows ADD COLUMN campaign TEXT NOT NULL DEFAULT ''; -- the tag, so that an index can serve it
UPDATE pass_rows SET campaign = coalesce((SELECT m.value FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = pass_rows.n AND m.name = 'campaign'), '');
CREATE INDEX passes_campaign_at ON pass_rows (campaign, at, n);

CREATE VIEW passes AS
SELECT p.id, p.bench, p.log, p.sha256, p.started_at, p.ended_at, p.log_at, p.stored_at, p.state, p.revision,
       c.n AS cell, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset,
       nullif(p.campaign, '') AS campaign,
       (SELECT m.value FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = 'driver') AS driver,
       s.id AS system, p.verdict, p.overruled,
       p.frames, p.duration_s, p.avg_fps, p.median_ms, p.p95_ms, p.p99_ms, p.p999_ms, p.max_ms,
       p.low1_fps, p.low01_fps, p.low1_time_fps, p.p99_fps, p.hitches, p.at
FROM pass_rows p JOIN cell_rows c ON c.n = p.cell LEFT JOIN system_rows s ON s.n = p.system;

CREATE VIEW tags AS
SELECT p.id AS pass, m.name, m.value, t.origin
FROM tag_rows t JOIN terms m ON m.n = t.term JOIN pass_rows p ON p.n = t.pass;

-- The current findings of each pass.
CREATE VIEW findings AS
SELECT p.id AS pass, f.name AS "check", f.version, f.outcome, f.reason, f.advice, f.numbers, f.params
FROM pass_rows p JOIN finding_rows f ON f.judgement = p.judgement;

-- Mean and sample standard deviation over the passes that are not bad. The deviation is
-- good to about 1e-8 of the mean. Each figure is a query of its own, served by the index
-- passes_cell alone, so that asking for few cells or few figures costs little.
CREATE VIEW cells AS
SELECT c.n AS cell, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset,
       (SELECT count(*) FROM pass_rows p WHERE p.cell = c.n) AS passes,
       (SELECT count(*) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS used,
       (SELECT avg(avg_fps) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS avg_fps,
       (SELECT sqrt(max(0, sum(avg_fps * avg_fps) - sum(avg_fps) * sum(avg_fps) / count(avg_fps)) / nullif(count(avg_fps) - 1, 0))
        FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS avg_fps_sd,
       (SELECT avg(low1_fps) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS low1_fps,
       (SELECT sqrt(max(0, sum(low1_fps * low1_fps) - sum(low1_fps) * sum(low1_fps) / count(low1_fps)) / nullif(count(low1_fps) - 1, 0))
        FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS low1_fps_sd
FROM cell_rows c WHERE EXISTS (SELECT 1 FROM pass_rows p WHERE p.cell = c.n);

-- One row per distinct configuration and bench.
CREATE VIEW systems AS
SELECT s.id, u.bench, u.passes, u.first_at, u.last_at, s.fields
FROM (SELECT system, bench, count(*) AS passes, min(at) AS first_at, max(at) AS last_at
      FROM pass_rows WHERE system IS NOT NULL GROUP BY system, bench) u
JOIN system_rows s ON s.n = u.system;

-- Frame times and samples are compressed; these two need the functions that the programs
-- of this project bring along. Ask for one pass or a few.
CREATE VIEW frames AS
SELECT p.id AS pass, j.key + 1 AS n, CAST(j.value AS REAL) AS ms
FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision JOIN archives x ON x.revision = r.n
JOIN json_each(capd_frames(x.frames)) j;

CREATE VIEW telemetry AS
SELECT p.id AS pass, j.value ->> 0 AS series, j.value ->> 1 AS unit, j.value ->> 2 AS at, CAST(j.value ->> 3 AS REAL) AS value
FROM pass_rows p JOIN revisions r ON r.pass = p.n AND r.revision = p.revision JOIN archives x ON x.revision = r.n
JOIN json_each(capd_telemetry(x.telemetry)) j;

-- Corrections of tags, oldest first by n.
CREATE VIEW corrections AS
SELECT c.n, c.change, p.id AS pass, c.name, c.old_value, c.old_origin, c.new_value, c.new_origin, c.at, c.who, c.why, c.undoes
FROM tag_changes c JOIN pass_rows p ON p.n = c.pass;
