-- What the view cells tells of a cell is kept beside it, so that reading all cells does
-- not mean reading all passes. It is computed anew from the passes of the cell whenever
-- one of them comes, goes or is judged; nothing is added to or taken from an old figure,
-- so no rounding gathers. Where a cell has more than 200 passes that would take too
-- long: passes is NULL and the view computes it when asked.
ALTER TABLE cell_rows ADD COLUMN passes      INTEGER DEFAULT 0;
ALTER TABLE cell_rows ADD COLUMN used        INTEGER;
ALTER TABLE cell_rows ADD COLUMN avg_fps     REAL;
ALTER TABLE cell_rows ADD COLUMN avg_fps_sd  REAL;
ALTER TABLE cell_rows ADD COLUMN low1_fps    REAL;
ALTER TABLE cell_rows ADD COLUMN low1_fps_sd REAL;

-- The deviation is the root of the mean square of the differences from the mean, in two
-- passes, which loses nothing where all values are large and alike. Each figure is a query
-- of its own, served by the index passes_cell alone.
CREATE VIEW cell_figures AS
SELECT c.n,
       (SELECT count(*) FROM pass_rows p WHERE p.cell = c.n) AS passes,
       (SELECT count(*) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS used,
       (SELECT avg(p.avg_fps) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS avg_fps,
       (SELECT sqrt(sum((p.avg_fps - m.mean) * (p.avg_fps - m.mean)) / nullif(count(p.avg_fps) - 1, 0))
        FROM (SELECT avg(q.avg_fps) AS mean FROM pass_rows q WHERE q.cell = c.n AND q.verdict <> 'bad') m
        CROSS JOIN pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS avg_fps_sd,
       (SELECT avg(p.low1_fps) FROM pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS low1_fps,
       (SELECT sqrt(sum((p.low1_fps - m.mean) * (p.low1_fps - m.mean)) / nullif(count(p.low1_fps) - 1, 0))
        FROM (SELECT avg(q.low1_fps) AS mean FROM pass_rows q WHERE q.cell = c.n AND q.verdict <> 'bad') m
        CROSS JOIN pass_rows p WHERE p.cell = c.n AND p.verdict <> 'bad') AS low1_fps_sd
FROM cell_rows c;

-- The figures of a cell as they are kept: all NULL where it has too many passes.
CREATE VIEW cell_kept AS
SELECT * FROM cell_figures f WHERE NOT EXISTS (SELECT 1 FROM pass_rows p WHERE p.cell = f.n LIMIT 1 OFFSET 200);

CREATE TRIGGER cell_gained AFTER INSERT ON pass_rows BEGIN
  UPDATE cell_rows SET (passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd) =
    (SELECT passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cell_kept k WHERE k.n = cell_rows.n)
  WHERE n = new.cell;
END;

CREATE TRIGGER cell_lost AFTER DELETE ON pass_rows BEGIN
  UPDATE cell_rows SET (passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd) =
    (SELECT passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cell_kept k WHERE k.n = cell_rows.n)
  WHERE n = old.cell;
END;

CREATE TRIGGER cell_changed AFTER UPDATE OF cell, verdict, avg_fps, low1_fps ON pass_rows
WHEN old.cell <> new.cell OR (old.verdict = 'bad') <> (new.verdict = 'bad') OR old.avg_fps IS NOT new.avg_fps OR old.low1_fps IS NOT new.low1_fps BEGIN
  UPDATE cell_rows SET (passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd) =
    (SELECT passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cell_kept k WHERE k.n = cell_rows.n)
  WHERE n IN (old.cell, new.cell);
END;

UPDATE cell_rows SET (passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd) =
  (SELECT passes, used, avg_fps, avg_fps_sd, low1_fps, low1_fps_sd FROM cell_kept k WHERE k.n = cell_rows.n);

DROP VIEW cells;
CREATE VIEW cells AS
SELECT c.n AS cell, c.cpu, c.gpu, c.game, c.scene, c.resolution, c.preset,
       CASE WHEN c.passes IS NULL THEN (SELECT f.passes FROM cell_figures f WHERE f.n = c.n) ELSE c.passes END AS passes,
       CASE WHEN c.passes IS NULL THEN (SELECT f.used FROM cell_figures f WHERE f.n = c.n) ELSE c.used END AS used,
       CASE WHEN c.passes IS NULL THEN (SELECT f.avg_fps FROM cell_figures f WHERE f.n = c.n) ELSE c.avg_fps END AS avg_fps,
       CASE WHEN c.passes IS NULL THEN (SELECT f.avg_fps_sd FROM cell_figures f WHERE f.n = c.n) ELSE c.avg_fps_sd END AS avg_fps_sd,
       CASE WHEN c.passes IS NULL THEN (SELECT f.low1_fps FROM cell_figures f WHERE f.n = c.n) ELSE c.low1_fps END AS low1_fps,
       CASE WHEN c.passes IS NULL THEN (SELECT f.low1_fps_sd FROM cell_figures f WHERE f.n = c.n) ELSE c.low1_fps_sd END AS low1_fps_sd
FROM cell_rows c WHERE c.passes IS NOT 0;
