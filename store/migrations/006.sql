-- Which passes stand in something that was published: those lose nothing to retention.
CREATE TABLE uses (
  pass INTEGER NOT NULL REFERENCES pass_rows(n),
  what TEXT NOT NULL,
  at   TEXT NOT NULL,
  PRIMARY KEY (pass, what)
) WITHOUT ROWID;

-- What retention took away, so that nothing is missing without a word.
CREATE TABLE dropped (
  revision INTEGER NOT NULL REFERENCES revisions(n),
  part     TEXT NOT NULL CHECK (part IN ('log', 'telemetry')),
  at       TEXT NOT NULL,
  PRIMARY KEY (revision, part)
) WITHOUT ROWID;
