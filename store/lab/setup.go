package lab

import (
	"context"
	"embed"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
)

//go:embed migrations/*.sql
var migrations embed.FS

// latest is the version of the tables that this program makes and uses.
const latest = 3

// ErrAlone says that a database has nothing that spreads tables over servers.
var ErrAlone = errors.New("this server has no extension that spreads tables over servers")

// perBench are the tables whose rows belong to a bench.
var perBench = []string{"benches", "systems", "passes", "archives", "firsts"}

// Options are what [Lab.Setup] does beside making the tables.
type Options struct {
	// Roles makes capd_agent and capd_reader, with row-level security: needs the right to
	// make roles.
	Roles bool
	// Distributed spreads the tables over the workers of a Citus cluster; [ErrAlone] where
	// the database has not that extension.
	Distributed bool
}

// Setup makes the tables or brings them up to date and returns what it did, a line each.
// It needs the right to make a schema.
func (l *Lab) Setup(ctx context.Context, o Options) (did []string, err error) {
	did, err = l.setup(ctx, o)
	return did, l.wrap(err, "set up")
}

func (l *Lab) setup(ctx context.Context, o Options) (did []string, err error) {
	if o.Distributed {
		if err := l.canSpread(ctx); err != nil {
			return nil, err
		}
	}
	before, err := l.makeTables(ctx)
	if err != nil {
		return nil, err
	}
	switch {
	case before == 0:
		did = append(did, "made the tables")
	case before < latest:
		did = append(did, fmt.Sprintf("brought the tables from version %d to %d", before, latest))
	}
	if o.Distributed {
		more, err := l.spread(ctx)
		if err != nil {
			return did, err
		}
		did = append(did, more...)
	}
	if o.Roles || before == 2 { // whose policies the new tables do not have any more
		if err := l.roles(ctx); err != nil {
			return did, err
		}
		did = append(did, "set the rights of capd_agent and capd_reader")
	}
	return did, nil
}

// unlimited begins a transaction that may take its time: changing large tables does.
const unlimited = "begin; set local statement_timeout = 0"

// makeTables returns the version that the tables had.
func (l *Lab) makeTables(ctx context.Context) (before int, err error) {
	err = l.transact(ctx, unlimited, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `CREATE SCHEMA IF NOT EXISTS capd;
			CREATE TABLE IF NOT EXISTS capd.version (version integer PRIMARY KEY)`); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, `SELECT coalesce(max(version), 0) FROM capd.version`).Scan(&before); err != nil {
			return err
		}
		script := "upgrade"
		switch {
		case before > latest:
			return versionError(before)
		case before == latest:
			return nil
		case before == 0:
			script = "tables"
		}
		if err := run(ctx, tx, script); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO capd.version VALUES ($1)`, latest)
		return err
	})
	return before, err
}

func run(ctx context.Context, tx pgx.Tx, script string) error {
	text, err := migrations.ReadFile("migrations/" + script + ".sql")
	if err == nil {
		_, err = tx.Exec(ctx, string(text))
	}
	if err != nil {
		return fmt.Errorf("%s: %w", script, err)
	}
	return nil
}

// roles makes the roles, what they may do, and the ties of rows to logins. Steps that an
// engine of several servers does not take in one transaction are transactions of their own.
func (l *Lab) roles(ctx context.Context) error {
	err := l.transact(ctx, unlimited, func(tx pgx.Tx) error {
		for _, role := range []string{"capd_agent", "capd_reader"} {
			there, err := exists(ctx, tx, `SELECT 1 FROM pg_roles WHERE rolname = $1`, role)
			if err == nil && !there {
				_, err = tx.Exec(ctx, "CREATE ROLE "+role+" NOLOGIN")
			}
			if err != nil {
				return err
			}
		}
		return run(ctx, tx, "roles")
	})
	for _, table := range perBench {
		if err == nil {
			err = l.tie(ctx, table)
		}
	}
	return err
}

// tie makes every row with an owner belong to a bench of that login.
func (l *Lab) tie(ctx context.Context, table string) error {
	name := table + "_owner"
	return l.transact(ctx, unlimited, func(tx pgx.Tx) error {
		there, err := exists(ctx, tx, `SELECT 1 FROM information_schema.table_constraints
			WHERE table_schema = 'capd' AND table_name = $1 AND constraint_name = $2`, table, name)
		if err == nil && !there {
			_, err = tx.Exec(ctx, "ALTER TABLE capd."+table+" ADD CONSTRAINT "+name+
				" FOREIGN KEY (owner, bench) REFERENCES capd.members (role, bench)")
		}
		return err
	})
}

func exists(ctx context.Context, tx pgx.Tx, query string, args ...any) (bool, error) {
	rows, err := tx.Query(ctx, query, args...)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	return rows.Next(), rows.Err()
}

func (l *Lab) canSpread(ctx context.Context) error {
	return l.transact(ctx, limited, func(tx pgx.Tx) error {
		there, err := exists(ctx, tx, `SELECT 1 FROM pg_extension WHERE extname = 'citus'`)
		if err == nil && !there {
			err = fmt.Errorf("%w: run CREATE EXTENSION citus on it and add its workers, or leave --distributed out", ErrAlone)
		}
		return err
	})
}

// spread makes members a table that every server holds whole, and distributes the others:
// all by bench, so that what a bench sends stays on one server, but for firsts, which is
// asked by identity.
func (l *Lab) spread(ctx context.Context) (did []string, err error) {
	for _, t := range []struct{ name, call, what string }{
		{"members", `SELECT create_reference_table('capd.members')`, "every server holds members"},
		{"benches", `SELECT create_distributed_table('capd.benches', 'bench', colocate_with => 'none')`, "distributed benches by bench"},
		{"systems", `SELECT create_distributed_table('capd.systems', 'bench', colocate_with => 'capd.benches')`, "distributed systems by bench"},
		{"passes", `SELECT create_distributed_table('capd.passes', 'bench', colocate_with => 'capd.benches')`, "distributed passes by bench"},
		{"archives", `SELECT create_distributed_table('capd.archives', 'bench', colocate_with => 'capd.benches')`, "distributed archives by bench"},
		{"firsts", `SELECT create_distributed_table('capd.firsts', 'id', colocate_with => 'none')`, "distributed firsts by id"},
	} {
		err = l.transact(ctx, unlimited, func(tx pgx.Tx) error {
			there, err := exists(ctx, tx, `SELECT 1 FROM pg_dist_partition WHERE logicalrelid = $1::text::regclass`, "capd."+t.name)
			if err != nil || there {
				return err
			}
			did = append(did, t.what)
			_, err = tx.Exec(ctx, t.call)
			return err
		})
		if err != nil {
			return did, fmt.Errorf("%s: %w", t.name, err)
		}
	}
	return did, nil
}

// Assign ties a login to a bench, in the place of the login that the bench had, and hands
// the bench's rows over to it.
func (l *Lab) Assign(ctx context.Context, login, bench string) error {
	err := l.transact(ctx, unlimited, func(tx pgx.Tx) error {
		if err := known(ctx, tx); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO capd.members (role, bench) VALUES ($1, $2) ON CONFLICT (role) DO NOTHING`,
			login, bench); err != nil {
			return err
		}
		var is string
		if err := tx.QueryRow(ctx, `SELECT bench FROM capd.members WHERE role = $1`, login).Scan(&is); err != nil {
			return err
		}
		if is != bench {
			return fmt.Errorf("%w: %q is the login of bench %q already: give each bench a login of its own", ErrRefused, login, is)
		}
		for _, table := range perBench {
			if _, err := tx.Exec(ctx, "UPDATE capd."+table+" SET owner = $1 WHERE bench = $2 AND owner IS DISTINCT FROM $1", login, bench); err != nil {
				return err
			}
		}
		_, err := tx.Exec(ctx, `DELETE FROM capd.members WHERE bench = $1 AND role <> $2`, bench, login)
		return err
	})
	return l.wrap(err, "assign a login")
}

// known says whether the tables are there and of this program's version.
func known(ctx context.Context, tx pgx.Tx) error {
	var v int
	err := tx.QueryRow(ctx, `SELECT coalesce(max(version), 0) FROM capd.version`).Scan(&v)
	switch code := codeOf(err); {
	case code == "42P01" || code == "3F000" || err == nil && v == 0: // undefined table, invalid schema
		return fmt.Errorf("%w: run `capctl lab setup` once", ErrNotLab)
	case err != nil:
		return err
	case v != latest:
		return versionError(v)
	}
	return nil
}

func versionError(v int) error {
	if v > latest {
		return fmt.Errorf("%w: it is %d, this program knows %d: update this program", ErrVersion, v, latest)
	}
	return fmt.Errorf("%w: it is %d, this program needs %d: run `capctl lab setup` once more, then the benches go on by themselves",
		ErrVersion, v, latest)
}
