package main_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"capd.example/control"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// inPrivate marks the process that runs in a mount name space of its own, and tells it where
// both programs are.
const inPrivate = "CAPD_TEST_PRIVATE_RUN"

// TestInstallUnderSystemd installs, kills, upgrades during a pass and uninstalls under a real
// systemd of a user, which runs beside whatever this machine has: /run is the test's own.
func TestInstallUnderSystemd(t *testing.T) {
	if programs := os.Getenv(inPrivate); programs != "" {
		installUnderSystemd(t, programs)
		return
	}
	for _, program := range []string{"unshare", "systemctl", "systemd-analyze", "/lib/systemd/systemd"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skip("needs Debian's package systemd:", err)
		}
	}
	if err := exec.Command("unshare", "--mount", "true").Run(); err != nil {
		t.Skip("needs the right to make a mount name space: ", err)
	}
	run := filepath.Join("/run/user", fmt.Sprint(os.Getuid()))
	script := `mount -t tmpfs -o mode=755 tmpfs /run && mkdir -p /run/systemd/system "$1" && chmod 700 "$1" && shift && exec "$@"`
	c := exec.CommandContext(t.Context(), "unshare", "--mount", "--", "sh", "-c", script, "sh", run,
		os.Args[0], "-test.v", "-test.run", "^TestInstallUnderSystemd$")
	for _, e := range os.Environ() {
		if name, _, _ := strings.Cut(e, "="); !strings.HasPrefix(name, "XDG_") && name != "DBUS_SESSION_BUS_ADDRESS" && name != "SUDO_USER" {
			c.Env = append(c.Env, e)
		}
	}
	c.Env = append(c.Env, inPrivate+"="+filepath.Dir(built(t, "capd")), "XDG_RUNTIME_DIR="+run)
	c.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if !bytes.Contains(out, []byte("--- PASS: TestInstallUnderSystemd")) {
		t.Fatalf("it did not run:\n%s", out)
	}
}

// home is a user's home on a bench with a session.
type home struct {
	t                *testing.T
	dir, data, watch string
	manager          *exec.Cmd
	said             *guarded
}

// logIn starts the manager of the user's session.
func (h *home) logIn() {
	h.t.Helper()
	h.manager = exec.Command("/lib/systemd/systemd", "--user")
	h.manager.Stdout, h.manager.Stderr = h.said, h.said
	h.manager.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGTERM}
	must(h.t, h.manager.Start())
	h.until("the manager runs", func() bool {
		return exec.Command("systemctl", "--user", "show-environment").Run() == nil
	})
}

func (h *home) logOut() {
	if h.manager == nil {
		return
	}
	h.manager.Process.Signal(syscall.SIGTERM)
	h.manager.Wait()
	h.manager = nil
}

func (h *home) until(what string, is func() bool) {
	h.t.Helper()
	for end := time.Now().Add(time.Minute); !is(); <-time.After(50 * time.Millisecond) {
		if time.Now().After(end) {
			h.t.Fatalf("it never came to this: %s", what)
		}
	}
}

func (h *home) status() (s control.Status, err error) {
	c, err := control.Dial(context.Background(), h.data)
	if err != nil {
		return s, err
	}
	defer c.Close()
	return c.Status(context.Background())
}

// run runs a command, whose words on both outputs are returned.
func (h *home) run(command string, args ...string) string {
	h.t.Helper()
	out, err := exec.Command(command, args...).CombinedOutput()
	if err != nil {
		h.t.Fatalf("%s %s: %v\n%s", filepath.Base(command), strings.Join(args, " "), err, out)
	}
	return string(out)
}

// files lists what lies below the home, without the logs and the data of the agent.
func (h *home) files() (out []string) {
	must(h.t, filepath.WalkDir(h.dir, func(path string, d fs.DirEntry, err error) error {
		if path == h.data || path == h.watch {
			return filepath.SkipDir
		}
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(h.dir, path)
			out = append(out, rel)
		}
		return err
	}))
	return out
}

// release builds capd as one version of it.
func release(t *testing.T, version string) (folder string) {
	t.Helper()
	folder = filepath.Join(t.TempDir(), version)
	args := append(append([]string{"build"}, testlab.BuildFlags...), "-ldflags", "-X capd.example/internal/cli.version="+version, "-o", folder+"/", "capd.example/cmd/capd")
	if out, err := exec.Command("go", args...).CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return folder
}

func installUnderSystemd(t *testing.T, old string) {
	dir := filepath.Join(t.TempDir(), "at 100% home")
	h := &home{t: t, dir: dir, data: filepath.Join(dir, ".local/share/capd"), watch: filepath.Join(dir, "frame-logs"), said: &guarded{}}
	newer := release(t, "v0.2.0")
	t.Setenv("HOME", dir)
	conf := filepath.Join(dir, ".config/capd/capd.toml")
	must(t, os.MkdirAll(filepath.Dir(conf), 0o755))
	must(t, os.WriteFile(conf, []byte("bench = \"b\"\n[expect]\nduration_s = 3\n[files]\nquiet_s = 0.5\n[checks]\noff = [\"background\"]\n"), 0o600))
	must(t, os.MkdirAll(h.data, 0o700))
	olderStore(t, filepath.Join(h.data, "passes.db"))
	h.logIn()
	defer func() {
		h.logOut()
		if t.Failed() {
			log, _ := os.ReadFile(filepath.Join(h.data, "agent.log"))
			t.Logf("the manager said:\n%s\nthe agent said:\n%s", h.said, log)
		}
	}()

	// What would be done is said, and nothing is.
	before := h.files()
	unit := filepath.Join(dir, ".config/systemd/user/capd.service")
	if out := h.run(filepath.Join(old, "capd"), "install", "--dry-run"); !strings.Contains(out, "write "+unit) || !strings.Contains(out, "Restart=on-failure") || !strings.Contains(out, "run systemctl --user enable") {
		t.Errorf("install --dry-run says\n%s", out)
	}
	if after := h.files(); len(after) != len(before) {
		t.Errorf("install --dry-run made %v of %v", after, before)
	}

	out := h.run(filepath.Join(old, "capd"), "install")
	s, err := h.status()
	if err != nil || s.Version == "v0.2.0" || !strings.Contains(out, "agent.log") {
		t.Fatalf("status %+v, %v after\n%s", s, err, out)
	}
	h.run("systemd-analyze", "verify", "--user", "--man=no", unit)
	if copies, _ := filepath.Glob(filepath.Join(h.data, "passes.db.version-9*")); len(copies) != 1 {
		t.Errorf("of the older store there is no copy: %v", copies)
	}
	if out = h.run(filepath.Join(old, "capd"), "install"); !strings.Contains(out, "nothing to do") {
		t.Errorf("a second install says\n%s", out)
	}
	if again, _ := h.status(); again.PID != s.PID {
		t.Error("a second install started another agent")
	}

	// It is started again when it dies, and when the user logs in again.
	must(t, syscall.Kill(s.PID, syscall.SIGKILL))
	h.until("it is started again", func() bool { now, err := h.status(); return err == nil && now.PID != s.PID })
	h.logOut()
	if _, err := h.status(); err == nil {
		t.Error("it outlived the session")
	}
	h.logIn()
	h.until("it runs in the next session", func() bool { _, err := h.status(); return err == nil })

	upgradeDuringAPass(h, newer)

	out = h.run(filepath.Join(dir, ".local/bin/capd"), "uninstall")
	if _, err := h.status(); err == nil || !strings.Contains(out, h.data) || !strings.Contains(out, conf) {
		t.Errorf("uninstall (%v) says\n%s", err, out)
	}
	if left := h.files(); len(left) != 1 || left[0] != ".config/capd/capd.toml" {
		t.Errorf("left over: %v", left)
	}
	if out = h.run(filepath.Join(newer, "capd"), "uninstall"); !strings.Contains(out, "nothing to do") {
		t.Errorf("a second uninstall says\n%s", out)
	}
}

// upgradeDuringAPass installs a newer version while a log grows.
func upgradeDuringAPass(h *home, newer string) {
	t := h.t
	s, err := h.status()
	must(t, err)
	log, err := os.Create(filepath.Join(h.watch, "pass1.csv"))
	must(t, err)
	defer log.Close()
	lines := bytes.SplitAfter(testlab.Log(testlab.StyleBoth, testlab.Scene{Seed: 1, FPS: 60, Seconds: 3, Load: 1, Hitches: -1}.Frames(), nil), []byte("\n"))
	write := func(n int) {
		for _, l := range lines[:n] {
			_, err := log.Write(l)
			must(t, err)
		}
		lines = lines[n:]
	}
	write(20)
	h.until("the log is noticed", func() bool { s, err := h.status(); return err == nil && s.Growing == 1 })
	var said guarded
	upgrade := exec.Command(filepath.Join(newer, "capd"), "install")
	upgrade.Stdout, upgrade.Stderr = &said, &said
	must(t, upgrade.Start())
	waits := func() bool { return strings.Contains(said.String(), "waiting for the end of the pass") }
	for began := time.Now(); !waits() || time.Since(began) < 3*time.Second; <-time.After(100 * time.Millisecond) {
		if len(lines) < 60 || time.Since(began) > 20*time.Second {
			t.Fatalf("the upgrade does not wait; it says %q", said.String())
		}
		write(1)
	}
	if now, err := h.status(); err != nil || now.PID != s.PID {
		t.Errorf("during the pass: %+v, %v", now, err)
	}
	write(len(lines))
	must(t, log.Close())
	if err := upgrade.Wait(); err != nil {
		t.Fatalf("%v: %s", err, said.String())
	}
	if now, err := h.status(); err != nil || now.Version != "v0.2.0" {
		t.Errorf("after the upgrade: %+v, %v", now, err)
	}
	t.Logf("between the old agent and the new one lay %s (to be at most 5 s)", away(t, filepath.Join(h.data, "agent.log")))
	h.until("the pass is judged", func() bool {
		st, err := store.Open(t.Context(), filepath.Join(h.data, "passes.db"), store.Options{ReadOnly: true})
		if err != nil {
			return false
		}
		defer st.Close()
		all, err := st.Passes(t.Context(), store.Filter{})
		if err != nil {
			return false
		}
		for _, p := range all {
			if filepath.Base(p.Log) == "pass1.csv" && p.Verdict != "" && p.Verdict != record.VerdictBad {
				tele, err := st.Telemetry(t.Context(), p.ID)
				return err == nil && tele != nil
			}
		}
		return false
	})
}

// away is how long there was no agent, by the last two times at which one ended and one began.
func away(t *testing.T, path string) (gap time.Duration) {
	t.Helper()
	text, err := os.ReadFile(path)
	must(t, err)
	var stopped time.Time
	for line := range strings.Lines(string(text)) {
		var e struct {
			Time    time.Time
			Message string
		}
		must(t, json.Unmarshal([]byte(line), &e))
		switch {
		case e.Message == "stopped":
			stopped = e.Time
		case strings.HasPrefix(e.Message, "watching ") && !stopped.IsZero():
			gap = e.Time.Sub(stopped)
		}
	}
	if stopped.IsZero() {
		t.Fatal("the log of the agent does not say that it stopped")
	}
	return gap
}

// olderStore is one of the version before.
func olderStore(t *testing.T, path string) {
	t.Helper()
	in, err := os.Open(filepath.Join(testlab.Root(), "store/testdata/version9.db.gz"))
	must(t, err)
	defer in.Close()
	z, err := gzip.NewReader(in)
	must(t, err)
	text, err := io.ReadAll(z)
	must(t, err)
	must(t, os.WriteFile(path, text, 0o600))
}
