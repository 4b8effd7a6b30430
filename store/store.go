package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	_ "modernc.org/sqlite" // the database driver "sqlite"

	"capd.example/store/internal/notes"
	"capd.example/store/internal/prepared"
	"capd.example/store/internal/schema"
	"capd.example/store/internal/sqlbase"
)

// Options of [Open].
type Options struct {
	ReadOnly bool             // never writes; a missing file is [ErrNoStore]
	Now      func() time.Time // the clock, for tests; nil for the real one

	busy, patience time.Duration // busyTimeout and migrationPatience; less in tests
}

const (
	// busyTimeout is for how long a writer waits for another one.
	busyTimeout = 5 * time.Second
	// migrationPatience is for how long one waits that must bring the store up to date
	// first: another program may be doing just that, which takes about 10 s where there are
	// 300 000 passes.
	migrationPatience = 2 * time.Minute
)

// Store is an open store. Its methods may be used from several goroutines.
type Store struct {
	db       *sql.DB
	path     string
	now      func() time.Time
	readOnly bool

	damaged bool   // opened by [OpenDamaged]
	cut     string // says so where the file ends too early
	bare    bool   // a damaged store of a version without digests

	book // of notes

	busy, patience time.Duration
}

// Open opens the store at path, makes it where there is none, and brings an older one up
// to date. Errors are those of this package: [ErrNoStore], [ErrNotOurs], [ErrNewer],
// [ErrCorrupt], [ErrReadOnly], [ErrBusy], [ErrFull].
func Open(ctx context.Context, path string, opt Options) (*Store, error) {
	s, err := open(ctx, path, opt)
	return s, sqlbase.Wrap(err, "open store")
}

func open(ctx context.Context, path string, opt Options) (*Store, error) {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	s := &Store{path: abs, now: opt.Now, readOnly: opt.ReadOnly,
		busy: cmp.Or(opt.busy, busyTimeout), patience: cmp.Or(opt.patience, migrationPatience)}
	s.book = notes.New(s.read, s.write, s.now, false)
	if opt.ReadOnly {
		err = s.openRead(ctx)
	} else {
		err = s.openWrite(ctx)
	}
	if err != nil {
		if s.db != nil {
			s.db.Close()
		}
		return nil, s.explain(err)
	}
	return s, nil
}

// Path returns the file's absolute path.
func (s *Store) Path() string { return s.path }

// Close ends the use of the store.
func (s *Store) Close() error { return s.db.Close() }

func (s *Store) openWrite(ctx context.Context) error {
	if err := os.MkdirAll(filepath.Dir(s.path), 0o700); err != nil {
		return fmt.Errorf("make the folder of the store: %w", err)
	}
	// A new file is its owner's alone, whatever the folder allows; what the database puts
	// beside it gets the same rights.
	if f, err := os.OpenFile(s.path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600); err == nil {
		f.Close()
	} // else it is there, or the database says why it cannot be
	if err := s.connect("rwc", "journal_mode(wal)"); err != nil {
		return err
	}
	if err := s.identify(ctx); err != nil {
		return err
	}
	if err := s.checkSchema(ctx); err != nil {
		return err
	}
	if err := s.keepOlder(ctx); err != nil {
		return err
	}
	if err := schema.Migrate(ctx, s.db, s.patience, fills); err != nil {
		return err
	}
	var mode string
	if err := s.db.QueryRowContext(ctx, "PRAGMA journal_mode").Scan(&mode); err != nil {
		return err
	}
	if mode != "wal" {
		return fmt.Errorf("%s: write-ahead logging cannot be used here (mode is %q): keep the store on a local disk", s.path, mode)
	}
	return nil
}

func (s *Store) openRead(ctx context.Context) error {
	if _, err := os.Stat(s.path); errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s: %w (has the agent run yet? --data names another folder)", s.path, ErrNoStore)
	} else if err != nil {
		return err
	}
	if err := s.connect("ro", "query_only(1)"); err != nil {
		return err
	}
	if err := s.identify(ctx); err != nil {
		return s.openUnwritable(ctx, err)
	}
	if err := s.checkSchema(ctx); err != nil {
		return err
	}
	v, err := schema.Version(ctx, s.db)
	if err != nil || v == schema.Latest {
		return err
	}
	// An older store gains the views and indexes that queries rely on.
	s.db.Close()
	w, err := open(ctx, s.path, Options{Now: s.now, busy: s.busy, patience: s.patience})
	if err != nil {
		return fmt.Errorf("%s was written by an older version and cannot be brought up to date: %w", s.path, err)
	}
	w.Close()
	return s.connect("ro", "query_only(1)")
}

// openUnwritable opens a store in a place where not even the shared memory beside it can
// be made. That is safe only where no write-ahead log is waiting.
func (s *Store) openUnwritable(ctx context.Context, cause error) error {
	if !errors.Is(s.explain(cause), ErrReadOnly) {
		return cause
	}
	if info, err := os.Stat(s.path + "-wal"); err == nil && info.Size() > 0 {
		return cause
	}
	s.db.Close()
	if err := s.connect("ro&immutable=1", "query_only(1)"); err != nil {
		return err
	}
	if err := s.identify(ctx); err != nil {
		return err
	}
	if err := s.checkSchema(ctx); err != nil {
		return err
	}
	v, err := schema.Version(ctx, s.db)
	if err == nil && v < schema.Latest {
		err = fmt.Errorf("%s was written by an older version and must be brought up to date first: copy it to where it can be written to", s.path)
	}
	return err
}

// checkSchema is run before anything is read through a view or changed under a trigger.
func (s *Store) checkSchema(ctx context.Context) error {
	err := schema.CheckSchema(ctx, s.db)
	if altered := (*schema.AlteredError)(nil); errors.As(err, &altered) {
		return fmt.Errorf("%s: %w: %w: `capctl verify` says what is still whole", s.path, ErrCorrupt, altered)
	}
	return err
}

// connect makes the pool. The pragmas stand in the name so that every connection has
// them. What the file itself describes is not trusted with functions that reach outside.
func (s *Store) connect(mode string, pragmas ...string) (err error) {
	if err := sqlbase.Regular(s.path); err != nil {
		return err
	}
	pragmas = append(pragmas, sqlbase.BusyPragma(s.busy), "trusted_schema(0)", "foreign_keys(1)")
	if s.damaged {
		// With it the database opens a file that is shorter than it says, and passes over
		// descriptions of tables that it cannot read. No pragma that reads the file comes before.
		pragmas = append(pragmas, "writable_schema(1)")
	} else {
		pragmas, mode = append(pragmas, "synchronous(normal)"), mode+"&_defensive=1"
	}
	s.db, err = prepared.Open(sqlbase.DSN(s.path, mode, pragmas...))
	if err != nil {
		return err
	}
	s.db.SetMaxOpenConns(4)
	s.db.SetMaxIdleConns(2)
	return nil
}

// identify refuses files that are not ours. An empty file counts as new.
func (s *Store) identify(ctx context.Context) error {
	var id, tables int
	if err := s.db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id); err != nil {
		return err
	}
	if err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return err
	}
	if id != schema.ApplicationID && (id != 0 || tables > 0) {
		return fmt.Errorf("%s: %w: name another file or folder", s.path, ErrNotOurs)
	}
	if tables == 0 && s.readOnly {
		return fmt.Errorf("%s: %w: the file is empty", s.path, ErrNoStore)
	}
	return nil
}

// audit is how tests look at every writing transaction, before and after what it does.
var audit func(ctx context.Context, tx *sql.Tx, fn func() error) error

// write runs fn in one transaction that holds the write lock from its start.
func (s *Store) write(ctx context.Context, fn func(tx *sql.Tx) error) error {
	if audit != nil {
		return s.transact(ctx, nil, func(tx *sql.Tx) error {
			return audit(ctx, tx, func() error { return fn(tx) })
		})
	}
	return s.transact(ctx, nil, fn)
}

// read runs fn on one unchanging view of the store.
func (s *Store) read(ctx context.Context, fn func(tx *sql.Tx) error) error {
	return s.transact(ctx, &sql.TxOptions{ReadOnly: true}, fn)
}

func (s *Store) transact(ctx context.Context, opt *sql.TxOptions, fn func(tx *sql.Tx) error) error {
	tx, err := s.db.BeginTx(ctx, opt)
	if err != nil {
		return s.explain(err)
	}
	if err := fn(tx); err != nil {
		tx.Rollback()
		return s.explain(err)
	}
	return s.explain(tx.Commit())
}
