package lab_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sort"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
)

// server is a PostgreSQL of this test's own, on a free port of the loopback address.
type server struct {
	bin, dir string
	port     int
}

// postgres starts the system's PostgreSQL, once for all tests; they use databases of
// their own. It skips where there is none.
var postgres = sync.OnceValues(func() (*server, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if len(found) == 0 || runtime.GOOS != "linux" {
		return nil, nil
	}
	sort.Strings(found)
	dir, err := os.MkdirTemp("", "capd-pg")
	if err != nil {
		return nil, err
	}
	s := &server{bin: filepath.Dir(found[len(found)-1]), dir: dir}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	s.port = l.Addr().(*net.TCPAddr).Port
	l.Close()
	if os.Geteuid() == 0 { // it refuses to run as root
		if out, err := exec.Command("chown", "postgres", dir).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("%s: %w", out, err)
		}
	}
	if err := s.run("initdb", "-D", filepath.Join(dir, "data"), "-U", "admin", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync"); err != nil {
		return nil, err
	}
	return s, s.start()
})

func (s *server) run(program string, args ...string) error {
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

func (s *server) start() error {
	options := fmt.Sprintf("-p %d -c listen_addresses=127.0.0.1 -c unix_socket_directories=%s -c fsync=off -c max_connections=12", s.port, s.dir)
	return s.run("pg_ctl", "-D", filepath.Join(s.dir, "data"), "-l", filepath.Join(s.dir, "log"), "-o", options, "-w", "start")
}

func (s *server) stop() error {
	return s.run("pg_ctl", "-D", filepath.Join(s.dir, "data"), "-m", "immediate", "-w", "stop")
}

func TestMain(m *testing.M) {
	code := m.Run()
	if s, err := postgres(); s != nil && err == nil {
		s.stop()
		os.RemoveAll(s.dir)
	}
	os.Exit(code)
}

// address returns the address of a new, empty database.
func address(t testing.TB) string {
	t.Helper()
	s, err := postgres()
	if err != nil {
		t.Fatal(err)
	}
	if s == nil {
		t.Skip("no PostgreSQL is installed (Debian: apt-get install postgresql)")
	}
	name := strings.ToLower(strings.NewReplacer("/", "_", "-", "_", "#", "_").Replace(t.Name()))
	if len(name) > 60 {
		name = name[len(name)-60:]
	}
	ask(t, s.address("postgres", "admin", s.port), `CREATE DATABASE "`+name+`"`)
	return s.address(name, "admin", s.port)
}

func (s *server) address(database, user string, port int) string {
	return fmt.Sprintf("postgres://%s@127.0.0.1:%d/%s?sslmode=disable", user, port, database)
}

// ask runs SQL with the rights of the address's user and returns the first column.
func ask(t testing.TB, address, text string) (out []string) {
	t.Helper()
	out, err := tryAsk(address, text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return out
}

func tryAsk(address, text string) (out []string, err error) {
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
