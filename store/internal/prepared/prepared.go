// Package prepared keeps the compiled statements of each connection to a store. Taking in one
// pass runs some forty short statements, and compiling them costs more than running them.
package prepared

import (
	"container/list"
	"context"
	"database/sql"
	"database/sql/driver"
	"strings"

	"modernc.org/sqlite"
)

// kept is how many statements a connection keeps: more than taking in a pass runs.
const kept = 64

// Open returns a pool of connections to the database that dsn names, as sql.Open does.
func Open(dsn string) (*sql.DB, error) {
	c, err := sqlite.NewConnector(dsn)
	if err != nil {
		return nil, err
	}
	return sql.OpenDB(connector{c}), nil
}

type connector struct{ driver.Connector }

func (c connector) Connect(ctx context.Context) (driver.Conn, error) {
	inner, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return &conn{database: inner.(database), known: map[string]*statement{}}, nil
}

// database is what a connection of the driver can do.
type database interface {
	driver.Conn
	driver.ConnBeginTx
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.Pinger
	driver.SessionResetter
	driver.Validator
}

// conn is used by one goroutine at a time, as database/sql promises.
type conn struct {
	database
	known map[string]*statement // by text
	order list.List             // of *statement, the one used last in front
}

// statement is a compiled statement. While its rows are read it is busy and cannot be run
// again.
type statement struct {
	driver.Stmt
	text  string
	place *list.Element
	busy  bool
}

// Unwrap returns the driver's own connection.
func (c *conn) Unwrap() driver.Conn { return c.database }

// Close forgets all statements.
func (c *conn) Close() error {
	for _, s := range c.known {
		s.Stmt.Close()
	}
	clear(c.known)
	c.order.Init()
	return c.database.Close()
}

// QueryContext runs a query by its compiled statement.
func (c *conn) QueryContext(ctx context.Context, text string, args []driver.NamedValue) (driver.Rows, error) {
	s, err := c.statement(ctx, text)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return c.database.QueryContext(ctx, text, args)
	}
	got, err := s.Stmt.(driver.StmtQueryContext).QueryContext(ctx, args)
	if err != nil {
		c.forget(s)
		return nil, err
	}
	s.busy = true
	return &rows{Rows: got, of: s}, nil
}

// ExecContext runs a statement without rows, compiled once.
func (c *conn) ExecContext(ctx context.Context, text string, args []driver.NamedValue) (driver.Result, error) {
	s, err := c.statement(ctx, text)
	if err != nil {
		return nil, err
	}
	if s == nil {
		return c.database.ExecContext(ctx, text, args)
	}
	result, err := s.Stmt.(driver.StmtExecContext).ExecContext(ctx, args)
	if err != nil {
		c.forget(s)
	}
	return result, err
}

// statement returns the compiled form of a text; nil for one that is not kept or busy.
func (c *conn) statement(ctx context.Context, text string) (*statement, error) {
	if s, there := c.known[text]; there {
		if s.busy {
			return nil, nil
		}
		c.order.MoveToFront(s.place)
		return s, nil
	}
	if !keeps(text) {
		return nil, nil
	}
	inner, err := c.database.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	s := &statement{Stmt: inner, text: text}
	s.place = c.order.PushFront(s)
	c.known[text] = s
	for e := c.order.Back(); e != nil && len(c.known) > kept; {
		old := e.Value.(*statement)
		if e = e.Prev(); !old.busy {
			c.forget(old)
		}
	}
	return s, nil
}

func (c *conn) forget(s *statement) {
	c.order.Remove(s.place)
	delete(c.known, s.text)
	s.Stmt.Close()
}

// keeps reports whether a statement of this text may be compiled once and run often. Settings
// act while they are compiled, and what changes the tables is run once.
func keeps(text string) bool {
	word, _, _ := strings.Cut(strings.TrimLeft(text, " \t\n"), " ")
	switch word, _, _ = strings.Cut(word, "\n"); strings.ToUpper(word) {
	case "SELECT", "WITH", "INSERT", "UPDATE", "DELETE":
		return true
	}
	return false
}

// rows are those of a kept statement, which is free again when they are closed.
type rows struct {
	driver.Rows
	of *statement
}

func (r *rows) Close() error {
	err := r.Rows.Close()
	r.of.busy = false
	return err
}
