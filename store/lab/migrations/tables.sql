-- The lab's shared tables. Only what engines that speak this protocol share is used: plain tables, primary keys,
-- indexes without operator classes, INSERT ... ON CONFLICT, unnest, transactions. Every key that is not a reference
-- begins with bench, so that the tables can be spread over servers by it.
--
-- owner is the login that may change a row, NULL for whoever owns the tables: see roles.sql.

CREATE TABLE capd.members (
  role  text PRIMARY KEY,
  bench text COLLATE "C" NOT NULL,
  UNIQUE (role, bench)
);

CREATE TABLE capd.benches (
  bench    text COLLATE "C" NOT NULL,
  store    text NOT NULL DEFAULT '',   -- which store sent: two machines may bear one name
  owner    text,
  seen_at  timestamptz NOT NULL,       -- by the clock of this database, so that a bench's own does not matter
  bench_at timestamptz NOT NULL,       -- by the bench's clock at that time
  backlog  bigint NOT NULL,
  mark     bigint NOT NULL DEFAULT 0,  -- how far this database has come in that store: an older copy of it has less
  campaign text NOT NULL DEFAULT '',   -- the campaign in force there, '' for none
  open     bigint NOT NULL DEFAULT 0,  -- passes that it still wants
  PRIMARY KEY (bench, store)
);

CREATE TABLE capd.systems (
  bench  text COLLATE "C" NOT NULL,
  id     text COLLATE "C" NOT NULL,
  owner  text,
  fields bytea NOT NULL,               -- JSON
  PRIMARY KEY (bench, id)
);

CREATE TABLE capd.passes (
  bench      text COLLATE "C" NOT NULL,
  id         text COLLATE "C" NOT NULL,
  sha256     text NOT NULL,
  at         timestamptz NOT NULL,
  revision   bigint NOT NULL,
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
  frames     bigint NOT NULL,
  avg_fps    double precision NOT NULL,
  low1_fps   double precision NOT NULL,
  p99_ms     double precision NOT NULL,
  tags       jsonb NOT NULL,
  doc        bytea NOT NULL,           -- JSON of the whole pass; bytes, since text cannot hold every tag
  owner      text,
  PRIMARY KEY (bench, id)
);
CREATE INDEX passes_at       ON capd.passes (at, bench, id);
CREATE INDEX passes_campaign ON capd.passes (campaign, at);
CREATE INDEX passes_verdict  ON capd.passes (verdict, at);
CREATE INDEX passes_id       ON capd.passes (id, bench);
CREATE INDEX passes_cell     ON capd.passes (game, gpu, cpu, resolution, preset, scene, avg_fps);
CREATE INDEX passes_count    ON capd.passes (bench, verdict);

CREATE TABLE capd.archives (
  bench     text COLLATE "C" NOT NULL,
  id        text COLLATE "C" NOT NULL,
  frames    bytea NOT NULL,
  telemetry bytea,
  owner     text,
  PRIMARY KEY (bench, id)
);

-- Who sent an identity first. Rows are added and never changed, so that no bench can put its pass in the place of
-- another's that has the same log.
CREATE TABLE capd.firsts (
  id    text COLLATE "C" PRIMARY KEY,
  bench text COLLATE "C" NOT NULL,
  owner text
);
