-- What the reviewer noted about cards, processors, games, cells and campaigns. A row is never
-- changed: one that undoes another takes it back. came is empty for what was noted here, else
-- when it came with a package; digest guards the other columns against a wrong bit.
CREATE TABLE notes (
  n      INTEGER PRIMARY KEY,
  id     TEXT NOT NULL UNIQUE,
  about  TEXT NOT NULL,
  text   TEXT NOT NULL,
  at     TEXT NOT NULL,
  who    TEXT NOT NULL,
  undoes TEXT NOT NULL,
  came   TEXT NOT NULL,
  digest BLOB NOT NULL
);
