-- What a filter asks for stands in every index that a page is looked for in, so that rows
-- are fetched for the page alone.
DROP INDEX passes_at;
DROP INDEX passes_bench_at;
DROP INDEX passes_verdict_at;
DROP INDEX passes_campaign_at;
DROP INDEX passes_cell;
CREATE INDEX passes_at          ON pass_rows (at, n, cell, verdict, campaign, bench, system);
CREATE INDEX passes_bench_at    ON pass_rows (bench, at, n, cell, verdict, campaign, system);
CREATE INDEX passes_verdict_at  ON pass_rows (verdict, at, n, cell, campaign, bench, system);
CREATE INDEX passes_campaign_at ON pass_rows (campaign, at, n, cell, verdict, bench, system);
CREATE INDEX passes_cell        ON pass_rows (cell, verdict, at, avg_fps, low1_fps, campaign, bench, system);

-- Cells by any one factor, with those beside which it is most often asked for; game leads
-- the unique index.
CREATE INDEX cells_cpu        ON cell_rows (cpu, gpu, game);
CREATE INDEX cells_gpu        ON cell_rows (gpu, cpu, game);
CREATE INDEX cells_scene      ON cell_rows (scene);
CREATE INDEX cells_resolution ON cell_rows (resolution);
CREATE INDEX cells_preset     ON cell_rows (preset);
