-- The views that queries use: names, columns and meaning are a promise (docs/store.md).

CREATE VIEW passes AS
SELECT p.id, p.bench, p.log, p.sha256, p.started_at, p.ended_at, p.log_at, p.stored_at, p.state, p.revision,
       c.n AS cell, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset,
       (SELECT m.value FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = 'campaign') AS campaign,
       (SELECT m.value FROM tag_rows t JOIN terms m ON m.n = t.term WHERE t.pass = p.n AND m.name = 'driver') AS driver,
       s.id AS system, p.verdict, p.overruled,
       p.frames, p.duration_s, p.avg_fps, p.median_ms, p.p95_ms, p.p99_ms, p.p999_ms, p.max_ms,
       p.low1_fps, p.low01_fps, p.low1_time_fps, p.p99_fps, p.hitches
FROM pass_rows p JOIN cell_rows c ON c.n = p.cell LEFT JOIN system_rows s ON s.n = p.system;

CREATE VIEW tags AS
SELECT p.id AS pass, m.name, m.value, t.origin
FROM tag_rows t JOIN terms m ON m.n = t.term JOIN pass_rows p ON p.n = t.pass;

-- The current findings of each pass.
CREATE VIEW findings AS
SELECT p.id AS pass, f.name AS "check", f.version, f.outcome, f.reason, f.advice, f.numbers, f.params
FROM pass_rows p JOIN finding_rows f ON f.judgement = p.judgement;

-- Mean and sample standard deviation over the passes that are not bad. The deviation is
-- good to about 1e-8 of the mean.
CREATE VIEW cells AS
SELECT c.n AS cell, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset, g.passes, g.used,
       g.a1 / g.used AS avg_fps, sqrt(max(0, g.a2 - g.a1 * g.a1 / g.used) / nullif(g.used - 1, 0)) AS avg_fps_sd,
       g.l1 / g.used AS low1_fps, sqrt(max(0, g.l2 - g.l1 * g.l1 / g.used) / nullif(g.used - 1, 0)) AS low1_fps_sd
FROM (
  SELECT cell, sum(passes) AS passes, sum(passes) FILTER (WHERE verdict <> 'bad') AS used,
         sum(a1) FILTER (WHERE verdict <> 'bad') AS a1, sum(a2) FILTER (WHERE verdict <> 'bad') AS a2,
         sum(l1) FILTER (WHERE verdict <> 'bad') AS l1, sum(l2) FILTER (WHERE verdict <> 'bad') AS l2
  FROM (SELECT cell, verdict, count(*) AS passes, sum(avg_fps) AS a1, sum(avg_fps * avg_fps) AS a2,
               sum(low1_fps) AS l1, sum(low1_fps * low1_fps) AS l2
        FROM pass_rows GROUP BY cell, verdict)
  GROUP BY cell
) g JOIN cell_rows c ON c.n = g.cell;

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
