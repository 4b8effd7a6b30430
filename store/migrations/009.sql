-- What guards a pass against a wrong bit: one digest for each group of what is stored
-- about it, see digest.go, which also fills them for the passes that are there: those are
-- trusted as they stand now. A pass that is missing leaves its digest behind.
CREATE TABLE digests (
  pass  INTEGER PRIMARY KEY REFERENCES pass_rows(n),
  parts BLOB NOT NULL
);

-- Which passes were not recorded here but came with a package, and when they came. Only
-- they may be replaced by a later package. Of older passes it is not known: they count as
-- recorded here.
CREATE TABLE adopted (
  pass INTEGER PRIMARY KEY REFERENCES pass_rows(n),
  at   TEXT NOT NULL
);
