package checkup

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"database/sql"
	"errors"
	"fmt"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/gofrs/flock"
	_ "modernc.org/sqlite"

	"capd.example/agent"
	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/autostart"
	"capd.example/internal/testlab/postgres"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/lab"
	"capd.example/sysinfo"
)

// bench is one that is in order but for what a test plants.
type bench struct {
	t     *testing.T
	dir   string
	text  string // more of the configuration
	world World
	plant func(*config.Config) // into the settings that were read
	send  bool
}

const running = "v1.2.3"

func inOrder(t *testing.T) *bench {
	t.Helper()
	b := &bench{t: t, dir: t.TempDir()}
	must(t, os.MkdirAll(filepath.Join(b.dir, "logs"), 0o755))
	must(t, os.MkdirAll(filepath.Join(b.dir, "data"), 0o700))
	must(t, os.MkdirAll(filepath.Join(b.dir, "machine/proc"), 0o755))
	s, err := store.Open(t.Context(), b.path("data/passes.db"), store.Options{})
	must(t, err)
	must(t, s.Close())
	b.world = World{
		Now: time.Now(), Version: running, Machine: sysinfo.New(sysinfo.Options{Root: b.path("machine")}),
		Autostart: func(context.Context) (autostart.State, error) {
			return autostart.State{Method: autostart.Systemd, Installed: true, Program: os.Args[0]}, nil
		},
		Agent: func(context.Context) (control.Status, error) { return control.Status{Version: running, PID: 7}, nil },
	}
	b.world.system()
	b.world.Remote = func(string) bool { return false }
	b.world.Others = func() []Other { return nil }
	b.world.Unsynced = func() bool { return false }
	b.world.Bus = func() error { return nil }
	return b
}

func (b *bench) path(name string) string { return filepath.Join(b.dir, name) }

func (b *bench) write(name, text string) {
	b.t.Helper()
	must(b.t, os.MkdirAll(filepath.Dir(b.path(name)), 0o755))
	must(b.t, os.WriteFile(b.path(name), []byte(text), 0o600))
}

// look looks at the bench as `capd check` does.
func (b *bench) look() []Finding {
	b.t.Helper()
	b.write("capd.toml", "bench = \"b\"\nwatch = \"logs\"\ndata = \"data\"\n"+b.text)
	c, err := config.Read(b.path("capd.toml"))
	must(b.t, err)
	if b.plant != nil {
		b.plant(&c)
	}
	if b.world.Agent == nil {
		here := Here(c, b.world.Machine, nil)
		b.world.Agent = here.Agent
	}
	return Look(b.t.Context(), b.world, Options{Config: c, Wrong: agent.WrongSettings(c), Send: b.send})
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestInOrder(t *testing.T) {
	for _, f := range inOrder(t).look() {
		if f.State == Wrong {
			t.Errorf("wrong on a bench that is in order: %+v", f)
		}
		if f.State != OK && (f.Means == "" || f.Remedy == "") {
			t.Errorf("what it means and what to do is not said: %+v", f)
		}
	}
}

// Each planted fault is found, as what it is, with what to do about it; and nothing else is
// called wrong because of it.
func TestPlantedFaults(t *testing.T) {
	faults := []struct {
		name    string
		subject string
		state   State
		remedy  string // part of what to do
		plant   func(*bench)
	}{
		{"settings that make no sense", "configuration", Wrong, "correct the setting in ", func(b *bench) { b.text = "[files]\nquiet_s = -1\n" }},
		{"a campaign that is not there", "campaign", Wrong, "correct the campaign file", func(b *bench) { b.text = "campaign = \"none.toml\"\n" }},
		{"watch folder missing", "watch folder", Note, "set your logger to write there", func(b *bench) { must(b.t, os.Remove(b.path("logs"))) }},
		{"watch folder a file", "watch folder", Wrong, "to the folder that your logger writes into", func(b *bench) { must(b.t, os.Remove(b.path("logs"))); b.write("logs", "") }},
		{"watch folder on a network drive", "watch folder", Note, "to a local folder", func(b *bench) { b.world.Remote = func(p string) bool { return p == b.path("logs") } }},
		{"watch folder inside the data folder", "watch folder", Wrong, "to a folder outside", func(b *bench) {
			must(b.t, os.MkdirAll(b.path("data/logs"), 0o755))
			must(b.t, os.Remove(b.path("logs")))
			must(b.t, os.Symlink(b.path("data/logs"), b.path("logs")))
		}},
		{"watch folder in a cloud", "watch folder", Note, "a folder outside", func(b *bench) { b.write("logs/.dropbox", "") }},
		{"data folder a file", "data folder", Wrong, "move it away", func(b *bench) { must(b.t, os.RemoveAll(b.path("data"))); b.write("data", "") }},
		{"data folder full", "data folder", Wrong, "free some space", func(b *bench) { b.world.Free = func(string) (uint64, error) { return 5 << 20, nil } }},
		{"data folder nearly full", "data folder", Note, "free some space", func(b *bench) { b.world.Free = func(string) (uint64, error) { return 1 << 30, nil } }},
		{"data folder open to others", "data folder", Note, "chmod go= ", func(b *bench) { must(b.t, os.Chmod(b.path("data"), 0o755)) }},
		{"data folder on a network drive", "data folder", Wrong, "to a local folder", func(b *bench) { b.world.Remote = func(p string) bool { return p == b.path("data") } }},
		{"data folder in a cloud", "data folder", Wrong, "to a folder outside of it", func(b *bench) { b.world.Synced = []string{b.path("data")} }},
		{"store damaged", "store", Wrong, "capctl verify --salvage", func(b *bench) { damage(b.t, b.path("data/passes.db")) }},
		{"store of another program", "store", Wrong, "move the file away", func(b *bench) {
			must(b.t, os.Remove(b.path("data/passes.db")))
			execute(b.t, b.path("data/passes.db"), "CREATE TABLE songs (title TEXT)")
		}},
		{"store newer", "store", Wrong, "install the newer version", func(b *bench) { execute(b.t, b.path("data/passes.db"), "PRAGMA user_version = 999") }},
		{"store older", "store", Note, "'capd install'", func(b *bench) { execute(b.t, b.path("data/passes.db"), "PRAGMA user_version = 8") }},
		{"store held by another program", "store", Wrong, "fuser -v ", func(b *bench) { hold(b.t, b.path("data/passes.db")) }},
		{"clock set back", "clock", Wrong, "timedatectl set-ntp", func(b *bench) { aPass(b.t, b.path("data/passes.db")); b.world.Now = b.world.Now.AddDate(-1, 0, 0) }},
		{"clock before the program was made", "clock", Wrong, "timedatectl set-ntp", func(b *bench) { b.world.Built = b.world.Now.AddDate(1, 0, 0) }},
		{"clock on its own", "clock", Note, "timedatectl set-ntp", func(b *bench) { b.world.Unsynced = func() bool { return true } }},
		{"no autostart", "autostart", Note, "'capd install'", func(b *bench) { b.starts(autostart.State{}) }},
		{"autostart switched off", "autostart", Wrong, "switches it on again", func(b *bench) {
			b.starts(autostart.State{Installed: true, Faults: []autostart.Fault{autostart.SwitchedOff}})
		}},
		{"autostart of a program that is gone", "autostart", Wrong, "a program that is there", func(b *bench) {
			b.starts(autostart.State{Installed: true, Program: "/gone", Faults: []autostart.Fault{autostart.NoProgram}})
		}},
		{"unit failed", "autostart", Wrong, "journalctl --user -u capd", func(b *bench) {
			b.starts(autostart.State{Installed: true, Faults: []autostart.Fault{autostart.Failed}})
		}},
		{"task with a time limit", "autostart", Wrong, "schtasks /delete /tn capd", func(b *bench) {
			b.starts(autostart.State{Installed: true, Faults: []autostart.Fault{autostart.TimeLimit}})
		}},
		{"task not on battery", "autostart", Wrong, "schtasks /delete /tn capd", func(b *bench) {
			b.starts(autostart.State{Installed: true, Faults: []autostart.Fault{autostart.OnBattery}})
		}},
		{"lingering off", "autostart", Note, "loginctl enable-linger", func(b *bench) {
			b.starts(autostart.State{Installed: true, Faults: []autostart.Fault{autostart.NotLingering}})
		}},
		{"no agent", "agent", Note, "'capd install', or 'capd run' in a window", func(b *bench) { b.world.Agent = nil }},
		{"a dumb agent holds the data folder", "agent", Wrong, "end the process capd", func(b *bench) {
			lock := flock.New(b.path("data/agent.lock"))
			_, err := lock.TryLock()
			must(b.t, err)
			b.t.Cleanup(func() { lock.Unlock() })
			b.world.Agent = nil
		}},
		{"an agent of another version", "agent", Wrong, "'capd install'", func(b *bench) { b.says(control.Status{Version: "v0.9.0"}) }},
		{"an agent in trouble", "agent", Wrong, "look at the cable", func(b *bench) {
			b.says(control.Status{Version: running, Troubles: []control.Trouble{{Text: "alerts do not arrive", Advice: "look at the cable"}}})
		}},
		{"an agent that is paused", "agent", Note, "'capctl resume'", func(b *bench) { b.says(control.Status{Version: running, Paused: "parts are swapped"}) }},
		{"another agent on the same logs", "agent", Wrong, "end process 11", func(b *bench) {
			b.world.Others = func() []Other {
				return []Other{{PID: 7, Watch: b.path("logs"), Data: b.path("data")}, {PID: 11, Watch: b.path("logs"), Data: "/other"}}
			}
		}},
		{"validator not pinned", "validators", Note, "[checks.pinned]", func(b *bench) { b.validator("", 0o700) }},
		{"validator pinned and not there", "validators", Wrong, "checks.pinned", func(b *bench) { b.validator("", 0o700); b.text += "[checks.pinned]\ngone = \"" + sum + "\"\n" }},
		{"validator changed", "validators", Wrong, sum, func(b *bench) { b.validator(strings.Repeat("0", 64), 0o700) }},
		{"validator not executable", "validators", Wrong, "chmod u+x ", func(b *bench) { b.validator(sum, 0o600) }},
		{"validator that others can change", "validators", Wrong, "mend what it says", func(b *bench) { b.validator(sum, 0o777) }},
		{"no bus for notifications", "alerts", Wrong, "log in to a desktop", func(b *bench) {
			b.text, b.world.Bus = "[notify]\ndesktop = true\n", bus
			b.t.Setenv("DBUS_SESSION_BUS_ADDRESS", "")
			b.t.Setenv("XDG_RUNTIME_DIR", b.dir)
		}},
		{"a web hook that nobody answers", "alerts", Wrong, "notify.web_hook", func(b *bench) { b.text = "[notify]\nweb_hook = \"http://" + deaf(b.t) + "/\"\n" }},
		{"a web hook that refuses", "alerts", Wrong, "correct the channel", func(b *bench) {
			s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusForbidden) }))
			b.t.Cleanup(s.Close)
			b.text, b.send = "[notify]\nweb_hook = \""+s.URL+"\"\n", true
		}},
		{"lab that nobody answers", "lab", Wrong, "can be reached from here", func(b *bench) { b.text = "[lab]\naddress = \"postgres://b@" + deaf(b.t) + "/lab\"\n" }},
		{"lab with another password", "lab", Wrong, "correct user and password", func(b *bench) {
			b.text = "[lab]\naddress = \"postgres://b@" + unfriendly(b.t) + "/lab?sslmode=disable\"\n"
		}},
		{"lab with a certificate that has run out", "lab", Wrong, "certificate", func(b *bench) {
			b.text = "[lab]\naddress = \"postgres://b@" + expired(b.t) + "/lab?sslmode=verify-full\"\n"
		}},
		{"library of the graphics card missing", "sensors", Wrong, "install the card's driver", func(b *bench) {
			b.write("machine/sys/class/drm/card0/device/uevent", "DRIVER=nvidia\nPCI_ID=10DE:1234\nPCI_SLOT_NAME=0000:01:00.0\n")
		}},
		{"powersave", "power", Wrong, "cpupower", func(b *bench) {
			b.write("machine/sys/devices/system/cpu/cpufreq/policy0/scaling_governor", "powersave\n")
			b.write("machine/sys/devices/system/cpu/cpufreq/policy0/scaling_driver", "acpi-cpufreq\n")
		}},
		{"on battery", "power", Wrong, "plug it in", func(b *bench) {
			b.write("machine/sys/class/power_supply/AC/type", "Mains\n")
			b.write("machine/sys/class/power_supply/AC/online", "0\n")
			b.write("machine/sys/class/power_supply/BAT0/type", "Battery\n")
			b.write("machine/sys/class/power_supply/BAT0/status", "Discharging\n")
		}},
		{"a firmware profile that saves power", "power", Wrong, "powerprofilesctl", func(b *bench) { b.write("machine/sys/firmware/acpi/platform_profile", "low-power\n") }},
	}
	for _, f := range faults {
		t.Run(f.name, func(t *testing.T) {
			b := inOrder(t)
			f.plant(b)
			found := false
			list := b.look()
			for _, x := range list {
				if x.Subject == f.subject && x.State == f.state && strings.Contains(x.Remedy, f.remedy) {
					found = true
				} else if x.State == Wrong {
					t.Errorf("wrong as well: %+v", x)
				}
				if x.State != OK && (x.What == "" || x.Means == "" || x.Remedy == "") {
					t.Errorf("it says too little: %+v", x)
				}
			}
			if !found {
				t.Errorf("not found among %+v", list)
			}
			if Any(list) != (f.state == Wrong) {
				t.Errorf("the status would be another one")
			}
		})
	}
}

// Folders without rights, as a user finds them who is not root.
func TestFoldersWithoutRights(t *testing.T) {
	if os.Getuid() == 0 {
		b := inOrder(t)
		must(t, os.Chmod(filepath.Dir(filepath.Dir(b.dir)), 0o755))
		c := exec.Command("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", os.Args[0], "-test.run=^TestFoldersWithoutRights$", "-test.v")
		self, err := os.ReadFile(os.Args[0])
		must(t, err)
		folder, err := os.MkdirTemp("", "capd-rights")
		must(t, err)
		t.Cleanup(func() { os.RemoveAll(folder) })
		must(t, os.Chmod(folder, 0o755))
		c.Path = must1(exec.LookPath("setpriv"))
		c.Args[4] = filepath.Join(folder, "test")
		must(t, os.WriteFile(c.Args[4], self, 0o755))
		c.Dir, c.Env = folder, append(os.Environ(), "TMPDIR="+filepath.Join(folder, "tmp"), "HOME="+folder)
		must(t, os.Mkdir(filepath.Join(folder, "tmp"), 0o777))
		must(t, os.Chmod(filepath.Join(folder, "tmp"), 0o777))
		if out, err := c.CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: TestFoldersWithoutRights") {
			t.Errorf("%v\n%s", err, out)
		}
		return
	}
	for folder, subject := range map[string]string{"logs": "watch folder", "data": "data folder"} {
		b := inOrder(t)
		must(t, os.Chmod(b.path(folder), map[string]os.FileMode{"logs": 0, "data": 0o500}[folder]))
		t.Cleanup(func() { os.Chmod(b.path(folder), 0o700) })
		found := false
		for _, f := range b.look() {
			found = found || f.Subject == subject && f.State == Wrong && strings.HasPrefix(f.Remedy, "chmod u+r")
		}
		if !found {
			t.Errorf("%s without rights is not found", folder)
		}
	}
}

func must1(s string, err error) string {
	if err != nil {
		panic(err)
	}
	return s
}

// A wrong password, a database without tables, and one in order, each with a real server.
func TestLab(t *testing.T) {
	server, err := postgres.Begin()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	must(t, err)
	t.Cleanup(server.End)
	address, err := server.Create("lab")
	must(t, err)
	finding := func(address string) Finding {
		b := inOrder(t)
		b.text = fmt.Sprintf("[lab]\naddress = %q\n", address)
		for _, f := range b.look() {
			if f.Subject == "lab" {
				return f
			}
		}
		t.Fatal("nothing is said of the lab")
		return Finding{}
	}
	if f := finding(address); f.State != Wrong || !strings.Contains(f.Remedy, "capctl lab setup") {
		t.Errorf("without tables: %+v", f)
	}
	if f := finding(strings.Replace(address, "/lab", "/other", 1)); f.State != Wrong || !strings.Contains(f.Remedy, "database's name") {
		t.Errorf("no such database: %+v", f)
	}
	l, err := lab.Open(t.Context(), address)
	must(t, err)
	_, err = l.Setup(t.Context(), lab.Options{})
	must(t, err)
	l.Close()
	if f := finding(address); f.State != OK {
		t.Errorf("in order: %+v", f)
	}
}

func (b *bench) starts(s autostart.State) {
	b.world.Autostart = func(context.Context) (autostart.State, error) { return s, nil }
}

func (b *bench) says(s control.Status) {
	b.world.Agent = func(context.Context) (control.Status, error) { return s, nil }
}

// sum is the SHA-256 of the validator below (sha256sum).
const (
	program = "#!/bin/sh\n"
	sum     = "a8076d3d28d21e02012b20eaf7dbf75409a6277134439025f282e368e3305abf"
)

func (b *bench) validator(pin string, mode os.FileMode) {
	must(b.t, os.MkdirAll(b.path("validators"), 0o700))
	b.write("validators/mine", program)
	must(b.t, os.Chmod(b.path("validators/mine"), mode))
	b.text = "[checks]\nfolder = \"validators\"\n"
	if pin != "" {
		b.text += "[checks.pinned]\nmine = \"" + pin + "\"\n"
	}
}

// deaf is an address at which nobody listens.
func deaf(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

// serve answers each connection with what it is handed to.
func serve(t *testing.T, answer func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				if _, err := c.Read(make([]byte, 1024)); err == nil {
					answer(c)
				}
			}()
		}
	}()
	return l.Addr().String()
}

// unfriendly is a database that lets nobody in (PostgreSQL, "Message Formats", ErrorResponse;
// appendix A, 28P01 invalid_password).
func unfriendly(t *testing.T) string {
	fields := "SFATAL\x00VFATAL\x00C28P01\x00Mno\x00\x00"
	return serve(t, func(c net.Conn) { c.Write(append([]byte{'E', 0, 0, 0, byte(4 + len(fields))}, fields...)) })
}

// expired is a server that speaks of its database only over TLS, with a certificate of which
// the time is over (RFC 5280, 4.1.2.5).
func expired(t *testing.T) string {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	c := x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().AddDate(-2, 0, 0), NotAfter: time.Now().AddDate(-1, 0, 0),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, &c, &c, &key.PublicKey, key)
	must(t, err)
	cert := tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
	return serve(t, func(c net.Conn) { // to a request for TLS the answer is that it is spoken
		c.Write([]byte("S"))
		tls.Server(c, &tls.Config{Certificates: []tls.Certificate{cert}}).Handshake()
	})
}

func execute(t *testing.T, path, text string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	must(t, err)
	defer db.Close()
	_, err = db.Exec(text)
	must(t, err)
}

// hold takes the store as another program does that writes into it.
func hold(t *testing.T, path string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	must(t, err)
	db.SetMaxOpenConns(1)
	_, err = db.Exec("BEGIN IMMEDIATE")
	must(t, err)
	t.Cleanup(func() { db.Exec("ROLLBACK"); db.Close() })
}

func damage(t *testing.T, path string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	must(t, err)
	defer f.Close()
	for page := int64(2); page < 12; page++ {
		_, err = f.WriteAt([]byte(strings.Repeat("\xff", 4096)), page*4096)
		must(t, err)
	}
}

func aPass(t *testing.T, path string) {
	t.Helper()
	s, err := store.Open(t.Context(), path, store.Options{})
	must(t, err)
	defer s.Close()
	_, err = s.Save(t.Context(), store.Arrival{Pass: record.Pass{
		Bench: "b", Log: "/logs/a.csv", SHA256: strings.Repeat("ab", 32), StartedAt: time.Now().Add(-time.Minute), EndedAt: time.Now(),
		Metrics: record.Metrics{Frames: 1},
	}, Frames: record.Frames{MS: []float64{10}}})
	must(t, err)
}
