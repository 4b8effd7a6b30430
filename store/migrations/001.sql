-- The tables. docs/store.md describes the views that queries should use instead.

CREATE TABLE system_rows (
  n      INTEGER PRIMARY KEY,
  id     TEXT NOT NULL UNIQUE,
  fields TEXT NOT NULL            -- JSON array of record.Field
);

-- One row per combination of the six usual factors, so that grouping is by a number.
CREATE TABLE cell_rows (
  n          INTEGER PRIMARY KEY,
  cpu        TEXT NOT NULL,
  gpu        TEXT NOT NULL,
  game       TEXT NOT NULL,
  scene      TEXT NOT NULL,
  resolution TEXT NOT NULL,
  preset     TEXT NOT NULL,
  UNIQUE (game, gpu, cpu, resolution, preset, scene)
);

CREATE TABLE pass_rows (
  n          INTEGER PRIMARY KEY,
  id         TEXT NOT NULL UNIQUE,
  sha256     TEXT NOT NULL,       -- of the current revision
  bench      TEXT NOT NULL,
  log        TEXT NOT NULL,
  at         TEXT NOT NULL,       -- started_at, or the best that is known: the order of passes
  started_at TEXT NOT NULL,
  ended_at   TEXT NOT NULL,
  log_at     TEXT NOT NULL,
  stored_at  TEXT NOT NULL,
  state      TEXT NOT NULL CHECK (state IN ('received', 'checked', 'notified')),
  revision   INTEGER NOT NULL,
  cell       INTEGER NOT NULL REFERENCES cell_rows(n),
  system     INTEGER REFERENCES system_rows(n),
  verdict    TEXT NOT NULL,
  overruled  TEXT NOT NULL DEFAULT '',
  judgement  INTEGER,             -- whose findings are the current ones
  frames INTEGER, duration_s REAL, avg_fps REAL, median_ms REAL, p95_ms REAL, p99_ms REAL,
  p999_ms REAL, max_ms REAL, low1_fps REAL, low01_fps REAL, low1_time_fps REAL, p99_fps REAL,
  hitches INTEGER, low1_sparse INTEGER, low01_sparse INTEGER,
  doc        TEXT NOT NULL        -- JSON: layout, claims, remarks
);
CREATE INDEX passes_at         ON pass_rows (at, n);
CREATE INDEX passes_bench_at   ON pass_rows (bench, at, n);
CREATE INDEX passes_verdict_at ON pass_rows (verdict, at, n);
CREATE INDEX passes_system     ON pass_rows (system, bench, at);
CREATE INDEX passes_log        ON pass_rows (log, bench);
CREATE INDEX passes_cell       ON pass_rows (cell, verdict, at, avg_fps, low1_fps);
CREATE INDEX passes_open       ON pass_rows (n) WHERE state <> 'notified';

-- Every version of a log that was ever stored. was holds the pass as it stood (JSON of
-- record.Pass) when a longer log took its place.
CREATE TABLE revisions (
  n         INTEGER PRIMARY KEY,
  pass      INTEGER NOT NULL REFERENCES pass_rows(n),
  revision  INTEGER NOT NULL,
  sha256    TEXT NOT NULL UNIQUE,
  size      INTEGER NOT NULL,
  stored_at TEXT NOT NULL,
  was       TEXT,
  UNIQUE (pass, revision)
);

CREATE TABLE archives (
  revision   INTEGER PRIMARY KEY REFERENCES revisions(n),
  frames     BLOB NOT NULL,
  telemetry  BLOB,
  seconds    BLOB NOT NULL,
  start_temp TEXT NOT NULL,
  log        BLOB
);

CREATE TABLE names (
  pass INTEGER NOT NULL REFERENCES pass_rows(n),
  path TEXT NOT NULL,
  PRIMARY KEY (pass, path)
) WITHOUT ROWID;

-- A term is a tag's name with one value; interned, since few terms serve many passes.
CREATE TABLE terms (
  n     INTEGER PRIMARY KEY,
  name  TEXT NOT NULL,
  value TEXT NOT NULL,
  UNIQUE (name, value)
);

CREATE TABLE tag_rows (
  pass   INTEGER NOT NULL REFERENCES pass_rows(n),
  term   INTEGER NOT NULL REFERENCES terms(n),
  origin TEXT NOT NULL,
  PRIMARY KEY (pass, term)
) WITHOUT ROWID;
CREATE INDEX tags_term ON tag_rows (term, pass);

CREATE TABLE tag_changes (
  n          INTEGER PRIMARY KEY,
  change     TEXT NOT NULL,
  pass       INTEGER NOT NULL REFERENCES pass_rows(n),
  name       TEXT NOT NULL,
  old_value  TEXT, old_origin TEXT,  -- NULL: the pass had no such tag
  new_value  TEXT, new_origin TEXT,  -- NULL: the tag was taken away
  at         TEXT NOT NULL,
  who        TEXT NOT NULL,
  why        TEXT NOT NULL,
  undoes     TEXT NOT NULL DEFAULT ''
);
CREATE INDEX tag_changes_change ON tag_changes (change);
CREATE INDEX tag_changes_pass   ON tag_changes (pass, n);

CREATE TABLE judgements (
  n        INTEGER PRIMARY KEY,
  pass     INTEGER NOT NULL REFERENCES pass_rows(n),
  revision INTEGER NOT NULL,
  kind     TEXT NOT NULL CHECK (kind IN ('checked', 'rechecked', 'overruled')),
  verdict  TEXT NOT NULL,
  reason   TEXT NOT NULL,
  who      TEXT NOT NULL,
  at       TEXT NOT NULL
);
CREATE INDEX judgements_pass ON judgements (pass, n);

CREATE TABLE finding_rows (
  judgement INTEGER NOT NULL REFERENCES judgements(n),
  seq       INTEGER NOT NULL,
  name      TEXT NOT NULL,
  version   TEXT NOT NULL,
  outcome   TEXT NOT NULL,
  reason    TEXT NOT NULL,
  advice    TEXT NOT NULL,
  numbers   TEXT NOT NULL,
  params    TEXT NOT NULL,
  PRIMARY KEY (judgement, seq)
) WITHOUT ROWID;

-- What was seen on the disk. sha256 is '' and error is set where the log was unreadable.
CREATE TABLE files (
  path    TEXT PRIMARY KEY,
  size    INTEGER NOT NULL,
  mtime   INTEGER NOT NULL,        -- ns since 1970
  file_id TEXT NOT NULL,
  sha256  TEXT NOT NULL,
  error   TEXT NOT NULL,
  at      TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE alerts (
  n         INTEGER PRIMARY KEY,
  id        TEXT NOT NULL UNIQUE,
  pass      TEXT NOT NULL,
  channel   TEXT NOT NULL,
  payload   BLOB,
  made_at   TEXT NOT NULL,
  due_at    TEXT NOT NULL,
  attempts  INTEGER NOT NULL DEFAULT 0,
  error     TEXT NOT NULL DEFAULT '',
  done_at   TEXT NOT NULL DEFAULT '',
  seen_at   TEXT NOT NULL DEFAULT '',
  seen_by   TEXT NOT NULL DEFAULT ''
);
CREATE INDEX alerts_due ON alerts (due_at, n) WHERE done_at = '';

CREATE TABLE settings (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
