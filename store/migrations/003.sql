-- Which passes changed since when, for whoever keeps a copy elsewhere. A pass has one
-- row, and every change gives it a new and higher number.
CREATE TABLE touches (
  n    INTEGER PRIMARY KEY AUTOINCREMENT,
  pass INTEGER NOT NULL UNIQUE REFERENCES pass_rows(n)
);
INSERT INTO touches (pass) SELECT n FROM pass_rows ORDER BY n;

CREATE TRIGGER pass_judged AFTER UPDATE OF verdict, overruled, judgement, cell, campaign ON pass_rows BEGIN
  DELETE FROM touches WHERE pass = new.n;
  INSERT INTO touches (pass) VALUES (new.n);
END;
