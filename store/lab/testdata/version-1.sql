-- The lab's shared tables. Only what engines that speak this protocol share is used:
-- plain tables, primary keys, indexes, INSERT ... ON CONFLICT, unnest, transactions.

CREATE SCHEMA IF NOT EXISTS capd;

CREATE TABLE capd.systems (
  id     text PRIMARY KEY,
  fields bytea NOT NULL             -- JSON
);

CREATE TABLE capd.passes (
  bench      text NOT NULL,
  id         text NOT NULL,
  sha256     text NOT NULL,
  at         timestamptz NOT NULL,
  revision   integer NOT NULL,
  verdict    text NOT NULL,
  overruled  text NOT NULL,
  campaign   text NOT NULL,
  cpu        text NOT NULL,
  gpu        text NOT NULL,
  game       text NOT NULL,
  scene      text NOT NULL,
  resolution text NOT NULL,
  preset     text NOT NULL,
  system     text NOT NULL,
  frames     integer NOT NULL,
  avg_fps    double precision NOT NULL,
  low1_fps   double precision NOT NULL,
  p99_ms     double precision NOT NULL,
  tags       jsonb NOT NULL,
  doc        bytea NOT NULL,        -- JSON of the whole pass; bytes, since text cannot hold every tag
  PRIMARY KEY (bench, id)
);
CREATE INDEX passes_at       ON capd.passes (at, bench, id);
CREATE INDEX passes_campaign ON capd.passes (campaign, at);
CREATE INDEX passes_verdict  ON capd.passes (verdict, at);
CREATE INDEX passes_id       ON capd.passes (id text_pattern_ops);
CREATE INDEX passes_cell     ON capd.passes (game, gpu, cpu, resolution, preset, scene, avg_fps);

CREATE TABLE capd.archives (
  bench     text NOT NULL,
  id        text NOT NULL,
  frames    bytea NOT NULL,
  telemetry bytea,
  PRIMARY KEY (bench, id)
);

CREATE TABLE capd.benches (
  name      text PRIMARY KEY,
  seen_at   timestamptz NOT NULL,   -- by the clock of this database, so that a bench's own does not matter
  bench_at  timestamptz NOT NULL,   -- by the bench's clock at that time
  backlog   integer NOT NULL
);
