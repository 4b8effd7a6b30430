-- Brings tables of version 1 and 2 to what tables.sql makes.

CREATE TABLE IF NOT EXISTS capd.members (role text PRIMARY KEY, bench text NOT NULL);
DROP POLICY IF EXISTS own ON capd.passes;
DROP POLICY IF EXISTS own ON capd.archives;
DROP POLICY IF EXISTS own ON capd.benches;

ALTER TABLE capd.members ALTER COLUMN bench TYPE text COLLATE "C", ADD UNIQUE (role, bench);

ALTER TABLE capd.benches RENAME COLUMN name TO bench;
ALTER TABLE capd.benches DROP CONSTRAINT benches_pkey;
ALTER TABLE capd.benches
  ALTER COLUMN bench TYPE text COLLATE "C", ALTER COLUMN backlog TYPE bigint,
  ADD COLUMN store text NOT NULL DEFAULT '', ADD COLUMN owner text, ADD COLUMN mark bigint NOT NULL DEFAULT 0,
  ADD COLUMN campaign text NOT NULL DEFAULT '', ADD COLUMN open bigint NOT NULL DEFAULT 0,
  ADD PRIMARY KEY (bench, store);

DROP INDEX capd.passes_id;
ALTER TABLE capd.passes
  ALTER COLUMN bench TYPE text COLLATE "C", ALTER COLUMN id TYPE text COLLATE "C",
  ALTER COLUMN revision TYPE bigint, ALTER COLUMN frames TYPE bigint, ADD COLUMN owner text;
CREATE INDEX passes_id    ON capd.passes (id, bench);
CREATE INDEX passes_count ON capd.passes (bench, verdict);

ALTER TABLE capd.archives
  ALTER COLUMN bench TYPE text COLLATE "C", ALTER COLUMN id TYPE text COLLATE "C", ADD COLUMN owner text;

-- A system was kept once for all benches, so that one could describe another's.
CREATE TABLE capd.systems_before AS TABLE capd.systems;
DROP TABLE capd.systems;
CREATE TABLE capd.systems (
  bench  text COLLATE "C" NOT NULL,
  id     text COLLATE "C" NOT NULL,
  owner  text,
  fields bytea NOT NULL,
  PRIMARY KEY (bench, id)
);
INSERT INTO capd.systems (bench, id, fields)
  SELECT DISTINCT p.bench, p.system, s.fields FROM capd.passes p JOIN capd.systems_before s ON s.id = p.system;
DROP TABLE capd.systems_before;

-- Until now the bench whose name came first stood for all that held the same pass.
CREATE TABLE capd.firsts (
  id    text COLLATE "C" PRIMARY KEY,
  bench text COLLATE "C" NOT NULL,
  owner text
);
INSERT INTO capd.firsts (id, bench) SELECT id, min(bench) FROM capd.passes GROUP BY id;

UPDATE capd.passes   t SET owner = m.role FROM capd.members m WHERE m.bench = t.bench;
UPDATE capd.archives t SET owner = m.role FROM capd.members m WHERE m.bench = t.bench;
UPDATE capd.systems  t SET owner = m.role FROM capd.members m WHERE m.bench = t.bench;
UPDATE capd.benches  t SET owner = m.role FROM capd.members m WHERE m.bench = t.bench;
UPDATE capd.firsts   t SET owner = m.role FROM capd.members m WHERE m.bench = t.bench;
