// Package postgres starts the system's PostgreSQL for tests, on a free port of the
// loopback address and in a folder of its own.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sort"

	"github.com/jackc/pgx/v5"
)

// ErrMissing says that no PostgreSQL is installed: a reason to skip a test.
var ErrMissing = errors.New("no PostgreSQL is installed (Debian: apt-get install postgresql)")

// Server is a running server of a test's own.
type Server struct {
	Port     int
	bin, dir string
}

// Begin makes a new server and starts it. It holds twelve connections at most.
func Begin() (*Server, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if len(found) == 0 || runtime.GOOS != "linux" {
		return nil, ErrMissing
	}
	sort.Strings(found)
	dir, err := os.MkdirTemp("", "capd-pg")
	if err != nil {
		return nil, err
	}
	s := &Server{bin: filepath.Dir(found[len(found)-1]), dir: dir}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	s.Port = l.Addr().(*net.TCPAddr).Port
	l.Close()
	if os.Geteuid() == 0 { // it refuses to run as root
		if out, err := exec.Command("chown", "postgres", dir).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("%s: %w", out, err)
		}
	}
	if err := s.run("initdb", "-D", filepath.Join(dir, "data"), "-U", "admin", "-A", "trust", "-E", "UTF8", "--locale=C",
		"--no-sync"); err != nil {
		return nil, err
	}
	return s, s.Start()
}

// End stops the server and removes what it held.
func (s *Server) End() {
	s.Stop()
	os.RemoveAll(s.dir)
}

func (s *Server) run(program string, args ...string) error {
	args = append([]string{filepath.Join(s.bin, program)}, args...)
	if os.Geteuid() == 0 {
		args = append([]string{"runuser", "-u", "postgres", "--"}, args...)
	}
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Dir = s.dir
	// The server inherits what pg_ctl has; a pipe would keep Output waiting for it.
	log, err := os.CreateTemp("", "capd-pg-log")
	if err != nil {
		return err
	}
	defer os.Remove(log.Name())
	defer log.Close()
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Run(); err != nil {
		text, _ := os.ReadFile(log.Name())
		return fmt.Errorf("%s: %w: %s", program, err, text)
	}
	return nil
}

// Start starts a stopped server.
func (s *Server) Start() error {
	options := fmt.Sprintf("-p %d -c listen_addresses=127.0.0.1 -c unix_socket_directories=%s -c fsync=off -c max_connections=12", s.Port, s.dir)
	return s.run("pg_ctl", "-D", filepath.Join(s.dir, "data"), "-l", filepath.Join(s.dir, "log"), "-o", options, "-w",
		"start")
}

// Stop stops the server as a power cut would.
func (s *Server) Stop() error {
	return s.run("pg_ctl", "-D", filepath.Join(s.dir, "data"), "-m", "immediate", "-w", "stop")
}

// Create makes a new, empty database and returns its address.
func (s *Server) Create(name string) (string, error) {
	_, err := Ask(s.Address("postgres", "admin"), `CREATE DATABASE "`+name+`"`)
	return s.Address(name, "admin"), err
}

// Address returns the address of a database for a user.
func (s *Server) Address(database, user string) string {
	return fmt.Sprintf("postgres://%s@127.0.0.1:%d/%s?sslmode=disable", user, s.Port, database)
}

// Ask runs SQL with the rights of the address's user and returns the first column.
func Ask(address, text string) (out []string, err error) {
	ctx := context.Background()
	c, err := pgx.Connect(ctx, address)
	if err != nil {
		return nil, err
	}
	defer c.Close(ctx)
	rows, err := c.Query(ctx, text, pgx.QueryExecModeSimpleProtocol)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		v, err := rows.Values()
		if err != nil {
			return nil, err
		}
		out = append(out, fmt.Sprint(v[0]))
	}
	return out, rows.Err()
}
