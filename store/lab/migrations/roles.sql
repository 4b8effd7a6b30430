-- Who may do what; run again it changes nothing. capd_agent may add and change the rows of its own bench and read
-- nothing else but who belongs to which bench; capd_reader may read. Login roles are made members of one of them, and an
-- agent's login is tied to its bench by a row in capd.members, which every row of it must refer to. The policies ask
-- nothing but the row, as engines want it that spread the tables over servers.

GRANT USAGE ON SCHEMA capd TO capd_agent, capd_reader;
GRANT SELECT ON capd.version, capd.members TO capd_agent, capd_reader;
GRANT SELECT ON capd.benches, capd.systems, capd.passes, capd.archives, capd.firsts TO capd_reader;
GRANT SELECT, INSERT, UPDATE ON capd.benches, capd.systems, capd.passes, capd.archives TO capd_agent;
GRANT SELECT, INSERT ON capd.firsts TO capd_agent;

ALTER TABLE capd.benches ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS reader ON capd.benches;
DROP POLICY IF EXISTS own ON capd.benches;
CREATE POLICY reader ON capd.benches FOR SELECT TO capd_reader USING (true);
CREATE POLICY own ON capd.benches FOR ALL TO capd_agent USING (owner = current_user) WITH CHECK (owner = current_user);

ALTER TABLE capd.systems ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS reader ON capd.systems;
DROP POLICY IF EXISTS own ON capd.systems;
CREATE POLICY reader ON capd.systems FOR SELECT TO capd_reader USING (true);
CREATE POLICY own ON capd.systems FOR ALL TO capd_agent USING (owner = current_user) WITH CHECK (owner = current_user);

ALTER TABLE capd.passes ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS reader ON capd.passes;
DROP POLICY IF EXISTS own ON capd.passes;
CREATE POLICY reader ON capd.passes FOR SELECT TO capd_reader USING (true);
CREATE POLICY own ON capd.passes FOR ALL TO capd_agent USING (owner = current_user) WITH CHECK (owner = current_user);

ALTER TABLE capd.archives ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS reader ON capd.archives;
DROP POLICY IF EXISTS own ON capd.archives;
CREATE POLICY reader ON capd.archives FOR SELECT TO capd_reader USING (true);
CREATE POLICY own ON capd.archives FOR ALL TO capd_agent USING (owner = current_user) WITH CHECK (owner = current_user);

ALTER TABLE capd.firsts ENABLE ROW LEVEL SECURITY;
DROP POLICY IF EXISTS reader ON capd.firsts;
DROP POLICY IF EXISTS own ON capd.firsts;
CREATE POLICY reader ON capd.firsts FOR SELECT TO capd_reader USING (true);
CREATE POLICY own ON capd.firsts FOR ALL TO capd_agent USING (owner = current_user) WITH CHECK (owner = current_user);
