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
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// ErrMissing says that no PostgreSQL is installed: a reason to skip a test.
var ErrMissing = errors.New("no PostgreSQL is installed (Debian: apt-get install postgresql)")

// Server is a running server of a test's own.
type Server struct {
	Port     int
	bin, dir string
	pooler   *exec.Cmd
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
	if err := s.settle(); err != nil {
		return nil, err
	}
	if err := s.run("initdb", "-D", filepath.Join(dir, "data"), "-U", "admin", "-A", "trust", "-E", "UTF8", "--locale=C",
		"--no-sync"); err != nil {
		return nil, err
	}
	return s, s.Start()
}

// settle gives the server a free port, and its folder to the user that it runs as: it refuses
// to be root.
func (s *Server) settle() (err error) {
	if s.Port, err = freePort(); err != nil || os.Geteuid() != 0 {
		return err
	}
	if out, err := exec.Command("chown", "postgres", s.dir).CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w", out, err)
	}
	return nil
}

func freePort() (int, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port, nil
}

// Standby makes a server that follows this one and can be read meanwhile.
func (s *Server) Standby() (*Server, error) {
	dir, err := os.MkdirTemp("", "capd-pg")
	if err != nil {
		return nil, err
	}
	n := &Server{bin: s.bin, dir: dir}
	if err := n.settle(); err != nil {
		return nil, err
	}
	err = n.run("pg_basebackup", "-h", "127.0.0.1", "-p", fmt.Sprint(s.Port), "-U", "admin",
		"-D", filepath.Join(dir, "data"), "-R", "--checkpoint=fast", "--no-sync")
	if err != nil {
		return nil, err
	}
	return n, n.Start()
}

// Promote makes a standby a server of its own.
func (s *Server) Promote() error {
	return s.run("pg_ctl", "-D", filepath.Join(s.dir, "data"), "-w", "promote")
}

// ErrNoPooler says that pgbouncer is not installed: a reason to skip a test.
var ErrNoPooler = errors.New("no pgbouncer is installed (Debian: apt-get install pgbouncer)")

// Pool starts pgbouncer in front of the server, without any setting to help its clients: each
// transaction may come to another of the two connections of a user. It returns the port.
func (s *Server) Pool(users ...string) (port int, err error) {
	program, err := exec.LookPath("pgbouncer")
	if err != nil {
		return 0, ErrNoPooler
	}
	if port, err = freePort(); err != nil {
		return 0, err
	}
	known, settings := filepath.Join(s.dir, "users"), filepath.Join(s.dir, "pooler.ini")
	var list strings.Builder
	for _, u := range users {
		fmt.Fprintf(&list, "%q \"\"\n", u)
	}
	text := fmt.Sprintf("[databases]\n* = host=127.0.0.1 port=%d\n[pgbouncer]\nlisten_addr = 127.0.0.1\nlisten_port = %d\n",
		s.Port, port) + "unix_socket_dir =\nauth_type = trust\nauth_file = " + known + "\npool_mode = transaction\n" +
		"default_pool_size = 2\n"
	err = errors.Join(os.WriteFile(known, []byte(list.String()), 0o644), os.WriteFile(settings, []byte(text), 0o644))
	if err != nil {
		return 0, err
	}
	args := []string{program, "-q", settings}
	if os.Geteuid() == 0 {
		args = []string{program, "-q", "-u", "postgres", settings}
	}
	s.pooler = exec.Command(args[0], args[1:]...)
	if err := s.pooler.Start(); err != nil {
		s.pooler = nil
		return 0, err
	}
	for range 500 { // until it listens
		if c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", port)); err == nil {
			return port, c.Close()
		}
		<-time.After(20 * time.Millisecond)
	}
	return 0, errors.New("pgbouncer does not listen")
}

// End stops the server and removes what it held.
func (s *Server) End() {
	if s.pooler != nil {
		s.pooler.Process.Kill()
		s.pooler.Wait()
	}
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
