-- Who may do what. capd_agent may add and change the passes of its own bench and read
-- nothing else; capd_reader may read. Login roles are made members of one of them, and
-- an agent's role is tied to its bench by a row in capd.members.

CREATE TABLE capd.members (
  role  text PRIMARY KEY,
  bench text NOT NULL
);

DO $$ BEGIN
  IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = 'capd_agent') THEN CREATE ROLE capd_agent NOLOGIN; END IF;
  IF NOT EXISTS (SELECT 1 FROM pg_roles WHERE rolname = 'capd_reader') THEN CREATE ROLE capd_reader NOLOGIN; END IF;
END $$;

GRANT USAGE ON SCHEMA capd TO capd_agent, capd_reader;
GRANT SELECT ON capd.version, capd.members TO capd_agent, capd_reader;
GRANT SELECT ON ALL TABLES IN SCHEMA capd TO capd_reader;
GRANT SELECT, INSERT, UPDATE ON capd.passes, capd.archives, capd.benches TO capd_agent;
GRANT SELECT, INSERT ON capd.systems TO capd_agent;

ALTER TABLE capd.passes   ENABLE ROW LEVEL SECURITY;
ALTER TABLE capd.archives ENABLE ROW LEVEL SECURITY;
ALTER TABLE capd.benches  ENABLE ROW LEVEL SECURITY;

CREATE POLICY reader ON capd.passes   FOR SELECT TO capd_reader USING (true);
CREATE POLICY reader ON capd.archives FOR SELECT TO capd_reader USING (true);
CREATE POLICY reader ON capd.benches  FOR SELECT TO capd_reader USING (true);

CREATE POLICY own ON capd.passes   FOR ALL TO capd_agent
  USING (bench = (SELECT m.bench FROM capd.members m WHERE m.role = current_user))
  WITH CHECK (bench = (SELECT m.bench FROM capd.members m WHERE m.role = current_user));
CREATE POLICY own ON capd.archives FOR ALL TO capd_agent
  USING (bench = (SELECT m.bench FROM capd.members m WHERE m.role = current_user))
  WITH CHECK (bench = (SELECT m.bench FROM capd.members m WHERE m.role = current_user));
CREATE POLICY own ON capd.benches  FOR ALL TO capd_agent
  USING (name = (SELECT m.bench FROM capd.members m WHERE m.role = current_user))
  WITH CHECK (name = (SELECT m.bench FROM capd.members m WHERE m.role = current_user));
