// Reads an exported folder with DuckDB and prints what it found, one JSON object per pass.
// usage: node duckdb.mjs FOLDER   (run where @duckdb/node-api is installed)
import { createRequire } from 'node:module';
import { join } from 'node:path';
const require = createRequire(join(process.cwd(), 'package.json'));
const { DuckDBInstance } = require('@duckdb/node-api');
const folder = process.argv[2].replaceAll("'", "''");
const db = await (await DuckDBInstance.create(':memory:')).connect();
const table = (name) => `read_parquet('${folder}/${name}/**/*.parquet', hive_partitioning=true)`;
const rows = await (await db.runAndReadAll(`
  SELECT p.id, p.game, p.campaign, p.avg_fps, strftime(p.started_at, '%Y-%m-%dT%H:%M:%S.%f') AS started,
         f.ms, t.temps
  FROM ${table('passes')} p
  JOIN (SELECT pass, list(ms ORDER BY n) AS ms FROM ${table('frames')} GROUP BY pass) f ON f.pass = p.id
  LEFT JOIN (SELECT pass, list(value ORDER BY n) AS temps FROM ${table('telemetry')} GROUP BY pass) t ON t.pass = p.id
  ORDER BY p.started_at`)).getRowObjectsJson();
for (const r of rows) console.log(JSON.stringify(r));
