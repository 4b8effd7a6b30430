//go:build linux

package lab_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"capd.example/internal/testlab/postgres"
	"capd.example/store"
	"capd.example/store/lab"
)

// The lab and the bench are hosts of their own here: two network namespaces with a cable
// between them. The addresses are those that RFC 5737 sets aside, so that nothing real is
// ever spoken to.
const (
	labHost, benchHost = "192.0.2.1", "192.0.2.2"
	asBench            = "CAPD_TEST_BENCH"     // makes this program the bench of the test: its store
	benchLab           = "CAPD_TEST_BENCH_LAB" // and the address of the lab
)

// What the bench gives each connecting and each batch: long where it must still be waiting
// when the cable is pulled, short where all there is to do is give up.
const long, short = 8 * time.Second, 500 * time.Millisecond

func init() {
	if path := os.Getenv(asBench); path != "" {
		os.Exit(beBench(path, os.Getenv(benchLab)))
	}
}

// beBench sends what is new for every line that comes in, which gives its patience, and
// answers with a line.
func beBench(path, address string) int {
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer s.Close()
	f := &lab.Forwarder{Store: s, Bench: "bench-1", Address: address}
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		if f.Patience, err = time.ParseDuration(in.Text()); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		if sent, err := f.Forward(ctx); err != nil {
			fmt.Println("error:", strings.ReplaceAll(err.Error(), "\n", " "))
		} else {
			fmt.Println("sent", sent)
		}
	}
	return 0
}

// cable joins two namespaces.
type cable struct{ lab, bench, plug string }

func newCable(t *testing.T) cable {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("only root can make network namespaces")
	}
	if _, err := exec.LookPath("ip"); err != nil {
		t.Skip("there is no ip command (Debian: apt-get install iproute2)")
	}
	id := os.Getpid()
	c := cable{fmt.Sprint("capd-lab-", id), fmt.Sprint("capd-bench-", id), fmt.Sprint("cl", id)}
	other := fmt.Sprint("cb", id)
	for i, step := range [][]string{
		{"netns", "add", c.lab}, {"netns", "add", c.bench},
		{"-n", c.lab, "link", "add", c.plug, "type", "veth", "peer", "name", other, "netns", c.bench},
		{"-n", c.lab, "address", "add", labHost + "/30", "dev", c.plug}, {"-n", c.bench, "address", "add", benchHost + "/30", "dev", other},
		{"-n", c.lab, "link", "set", "lo", "up"}, {"-n", c.lab, "link", "set", c.plug, "up"}, {"-n", c.bench, "link", "set", other, "up"},
	} {
		out, err := exec.Command("ip", step...).CombinedOutput()
		if err != nil && i <= 2 {
			t.Skipf("this system gives no network namespaces: ip %s: %v: %s", strings.Join(step, " "), err, out)
		}
		if err != nil {
			t.Fatalf("ip %s: %v: %s", strings.Join(step, " "), err, out)
		}
		if i < 2 {
			t.Cleanup(func() { exec.Command("ip", "netns", "delete", step[2]).Run() })
		}
	}
	// A container may let namespaces be made and refuse what entering one takes.
	for _, chain := range [][]string{inside(c.bench, "true"), inside(c.lab, asServer("true")...)} {
		if out, err := exec.Command("ip", chain...).CombinedOutput(); err != nil {
			t.Skipf("this system lets nothing run in a network namespace: ip %s: %v: %s", strings.Join(chain, " "), err, out)
		}
	}
	return c
}

// inside is how ip runs a program in a namespace.
func inside(namespace string, program ...string) []string {
	return append([]string{"netns", "exec", namespace}, program...)
}

// asServer is how root runs a program as the user of PostgreSQL, which refuses to be root.
func asServer(program string, args ...string) []string {
	return append([]string{"runuser", "-u", "postgres", "--", program}, args...)
}

// pull and plugIn take the cable out of the lab's socket and put it back.
func (c cable) pull(t *testing.T)   { c.set(t, "down") }
func (c cable) plugIn(t *testing.T) { c.set(t, "up") }

func (c cable) set(t *testing.T, state string) {
	t.Helper()
	if out, err := exec.Command("ip", "-n", c.lab, "link", "set", c.plug, state).CombinedOutput(); err != nil {
		t.Fatalf("link %s: %v: %s", state, err, out)
	}
}

// serverFolder is where the programs of PostgreSQL lie.
func serverFolder(t *testing.T) string {
	t.Helper()
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if len(found) == 0 {
		t.Skip(postgres.ErrMissing)
	}
	slices.Sort(found)
	return filepath.Dir(found[len(found)-1])
}

// serve starts PostgreSQL in the lab's namespace, where it takes only encrypted
// connections from the network. It returns its address on this machine, without the
// network, and the one for the bench.
func (c cable) serve(t *testing.T, bin string) (here, there string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "capd-cable")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	data, log := filepath.Join(dir, "data"), filepath.Join(dir, "log")
	run := func(program string, args ...string) {
		t.Helper()
		out, err := os.Create(filepath.Join(t.TempDir(), "output")) // a pipe would be held open by the server
		if err != nil {
			t.Fatal(err)
		}
		defer out.Close()
		cmd := exec.Command("ip", inside(c.lab, asServer(filepath.Join(bin, program), args...)...)...)
		cmd.Dir, cmd.Stdout, cmd.Stderr = dir, out, out
		if err := cmd.Run(); err != nil {
			said, _ := os.ReadFile(out.Name())
			logged, _ := os.ReadFile(log)
			t.Fatalf("%s: %v: %s%s", program, err, said, logged)
		}
	}
	certificate(t, dir)
	if out, err := exec.Command("chown", "-R", "postgres", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	run("initdb", "-D", data, "-U", "admin", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	if err := os.WriteFile(filepath.Join(data, "pg_hba.conf"), []byte("local all all trust\nhostssl all all "+benchHost+"/32 trust\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	run("pg_ctl", "-D", data, "-l", log, "-w", "-o", fmt.Sprintf("-c listen_addresses=%s -c unix_socket_directories=%s -c fsync=off -c ssl=on -c ssl_cert_file=%s -c ssl_key_file=%s",
		labHost, dir, filepath.Join(dir, "certificate"), filepath.Join(dir, "key")), "start")
	t.Cleanup(func() { run("pg_ctl", "-D", data, "-m", "immediate", "-w", "stop") })
	here = "postgres://admin@/postgres?host=" + dir
	there = "postgres://admin@" + labHost + "/postgres?sslmode=verify-full&sslrootcert=" + filepath.Join(dir, "certificate")
	return here, there
}

// certificate writes a key and a certificate for the lab's address.
func certificate(t *testing.T, dir string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	c := x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour),
		IPAddresses: []net.IP{net.ParseIP(labHost)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"certificate": {Type: "CERTIFICATE", Bytes: der}, "key": {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
}

// remoteBench is this program again, in the bench's namespace.
type remoteBench struct {
	in      io.Writer
	answers chan string
}

func (c cable) startBench(t *testing.T, path, address string) remoteBench {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("ip", inside(c.bench, self)...)
	cmd.Env = append(os.Environ(), asBench+"="+path, benchLab+"="+address)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	b := remoteBench{in, make(chan string, 1)}
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			b.answers <- lines.Text()
		}
		close(b.answers)
	}()
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	return b
}

func (b remoteBench) ask(t *testing.T, patience time.Duration) {
	t.Helper()
	if _, err := fmt.Fprintln(b.in, patience); err != nil {
		t.Fatal(err)
	}
}

func (b remoteBench) answer(t *testing.T) string {
	t.Helper()
	select {
	case a, ok := <-b.answers:
		if !ok {
			t.Fatal("the bench ended")
		}
		return a
	case <-time.After(time.Minute):
		t.Fatal("the bench never gave up sending")
	}
	return ""
}

// send lets the bench try until it has sent all.
func (b remoteBench) send(t *testing.T) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); ; {
		b.ask(t, long)
		a := b.answer(t)
		if strings.HasPrefix(a, "sent") {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("the network is whole again, and still: %s", a)
		}
	}
}

// until polls a condition.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(time.Minute); !holds(); <-time.After(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it never came about that %s", what)
		}
	}
}

// TestCableIsPulledInTheMiddleOfABatch cuts a real network at two moments: when a batch
// is half written, and when it is stored but its answer is still to come. The bench gives
// up by itself, stores passes meanwhile, and once the cable is back both sides are equal.
func TestCableIsPulledInTheMiddleOfABatch(t *testing.T) {
	bin := serverFolder(t)
	net := newCable(t)
	here, there := net.serve(t, bin)
	l := setup(t, here, false)
	s := newStore(t)
	bench := net.startBench(t, s.Path(), there)
	n := 0
	more := func(count int) {
		t.Helper()
		for range count {
			add(t, s, "bench-1", n, 0.5)
			n++
		}
	}
	stored := func() string { t.Helper(); return ask(t, here, "SELECT count(*)::text FROM capd.passes")[0] }
	more(5)
	bench.send(t)
	same(t, s, l, "bench-1")
	// The transaction that ends a batch waits here until it is let go.
	ask(t, here, `CREATE FUNCTION hold() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN PERFORM pg_advisory_xact_lock_shared(7); RETURN NULL; END';
		CREATE CONSTRAINT TRIGGER hold AFTER INSERT OR UPDATE ON capd.benches DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION hold()`)
	for _, c := range []struct {
		name, hold string
		arrives    bool
	}{
		{"half of the batch is written", "LOCK TABLE capd.archives IN SHARE MODE", false},
		{"the batch is being stored", "SELECT pg_advisory_xact_lock(7)", true},
	} {
		t.Run(strings.ReplaceAll(c.name, " ", "-"), func(t *testing.T) {
			release := hold(t, here, c.hold)
			more(5)
			before, want := stored(), fmt.Sprint(n)
			bench.ask(t, long)
			waiting := func() bool {
				return ask(t, here, "SELECT count(*)::text FROM pg_stat_activity WHERE application_name = 'capd' AND wait_event_type = 'Lock'")[0] != "0"
			}
			for {
				until(t, c.name, func() bool {
					select {
					case <-bench.answers: // this machine is slower than the bench's patience; again
						bench.ask(t, long)
					default:
					}
					return waiting()
				})
				net.pull(t)
				if waiting() {
					break // and nothing can call it off any more
				}
				net.plugIn(t)
			}
			release()
			more(2) // the bench works on
			if a := bench.answer(t); !strings.HasPrefix(a, "error:") {
				t.Errorf("with the cable pulled: %s", a)
			}
			if c.arrives {
				until(t, "what the lab had in hand is stored", func() bool { return stored() == want })
			} else if got := stored(); got != before {
				t.Errorf("of half a batch the lab shows something: %s passes, before %s", got, before)
			}
			bench.ask(t, short)
			if a := bench.answer(t); !strings.HasPrefix(a, "error:") {
				t.Errorf("with the cable still pulled: %s", a)
			}
			net.plugIn(t)
			bench.send(t)
			same(t, s, l, "bench-1")
			if got := stored(); got != fmt.Sprint(n) {
				t.Errorf("the lab has %s passes, the bench %d", got, n)
			}
		})
	}
}

// hold runs a statement in a transaction that stays open until it is released.
func hold(t *testing.T, address, text string) (release func()) {
	t.Helper()
	c := holdOpen(t, address, text)
	t.Cleanup(func() { c.Close(context.Background()) })
	return func() {
		limited, cancel := context.WithTimeout(ctx, 10*time.Second)
		defer cancel()
		if err := c.Close(limited); err != nil {
			t.Error(err)
		}
	}
}

// holdOpen runs a statement in a transaction that stays open as long as the connection.
func holdOpen(t *testing.T, address, text string) *pgx.Conn {
	t.Helper()
	c, err := pgx.Connect(ctx, address)
	if err == nil {
		_, err = c.Exec(ctx, "BEGIN; "+text)
	}
	if err != nil {
		t.Fatal(err)
	}
	return c
}
