// Release makes everything that a user downloads: programs, packages, manuals, checksums,
// licences and a bill of materials. It builds the commit that is checked out, from a clean
// clone, so that the same commit gives the same bytes whoever builds it where:
//
//	go run ./release --out DIR
//
// The tools that it runs are pinned in tools.mod, apart from go.mod, so that what they need
// is not among the dependencies of the programs.
package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// product is the name of packages and archives.
const product = "capd"

// target is a system that is built for.
type target struct{ system, arch string }

func (t target) String() string { return t.system + "-" + t.arch }

var targets = []target{{"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}}

func main() {
	out := flag.String("out", "", "folder to write into; it must be empty or not exist")
	only := flag.String("only", "", "one target alone, such as linux-amd64, to try it")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, *out, *only); err != nil {
		fmt.Fprintln(os.Stderr, "release: error:", err)
		os.Exit(1)
	}
}

// maker knows what is being released, and where.
type maker struct {
	ctx     context.Context
	src     string // a clean clone of the commit
	tmp     string
	out     string
	time    time.Time // of the commit
	version string    // without v, as Go makes it of the tags
}

func run(ctx context.Context, out, only string) (err error) {
	if out == "" {
		return errors.New("--out DIR is missing")
	}
	if out, err = filepath.Abs(out); err != nil {
		return err
	}
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	if there, err := os.ReadDir(out); err != nil || len(there) > 0 {
		return fmt.Errorf("%s is not empty: name another folder (%v)", out, err)
	}
	tmp, err := os.MkdirTemp("", "capd-release-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	m := &maker{ctx: ctx, tmp: tmp, out: out, src: filepath.Join(tmp, "src")}
	if err := m.clone(); err != nil {
		return err
	}
	var chosen []target
	for _, t := range targets {
		if only == "" || only == t.String() {
			chosen = append(chosen, t)
		}
	}
	if len(chosen) == 0 {
		return fmt.Errorf("--only %s is none of %v", only, targets)
	}
	if err := m.resources(); err != nil {
		return err
	}
	for _, t := range chosen {
		if err := m.build(t); err != nil {
			return err
		}
	}
	if m.version, err = versionOf(m.program(chosen[0], "capd")); err != nil {
		return err
	}
	common, err := m.common(chosen)
	if err != nil {
		return err
	}
	for _, t := range chosen {
		if err := m.pack(t, common); err != nil {
			return err
		}
	}
	return m.checksums()
}

// clone makes a clean copy of the commit that is checked out.
func (m *maker) clone() error {
	root, err := m.say(".", "git", "rev-parse", "--show-toplevel")
	if err != nil {
		return fmt.Errorf("a release is made of a commit: %w", err)
	}
	revision, err := m.say(root, "git", "rev-parse", "HEAD")
	if err != nil {
		return err
	}
	if changed, err := m.say(root, "git", "status", "--porcelain"); err == nil && changed != "" {
		fmt.Fprintln(os.Stderr, "release: what is not committed is left out")
	}
	if _, err := m.say(root, "git", "clone", "--quiet", "--no-checkout", root, m.src); err != nil {
		return err
	}
	if _, err := m.say(m.src, "git", "checkout", "--quiet", "--detach", revision); err != nil {
		return err
	}
	stamp, err := m.say(m.src, "git", "show", "-s", "--format=%ct", revision)
	if err != nil {
		return err
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	m.time = time.Unix(seconds, 0).UTC()
	return err
}

// say runs a command in a folder and returns what it prints.
func (m *maker) say(dir, name string, args ...string) (string, error) {
	c := exec.CommandContext(m.ctx, name, args...)
	c.Dir, c.Env = dir, m.env()
	return output(c)
}

func output(c *exec.Cmd) (string, error) {
	var complaint strings.Builder
	c.Stderr = &complaint
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w: %s", strings.Join(c.Args, " "), err, strings.TrimSpace(complaint.String()))
	}
	return strings.TrimSpace(string(out)), nil
}

// env is the same for whoever releases.
func (m *maker) env(more ...string) []string {
	env := append(os.Environ(), "GOFLAGS=-mod=readonly", "GOWORK=off", "CGO_ENABLED=0", "TZ=UTC", "LC_ALL=C", "GOAMD64=v1", "GOARM64=v8.0")
	if !m.time.IsZero() {
		env = append(env, "SOURCE_DATE_EPOCH="+strconv.FormatInt(m.time.Unix(), 10))
	}
	return append(env, more...)
}

// tool runs one of the pinned tools in a folder.
func (m *maker) tool(dir string, args ...string) error {
	_, err := m.say(dir, "go", append([]string{"tool", "-modfile=" + filepath.Join(m.src, "release", "tools.mod")}, args...)...)
	return err
}

func (m *maker) folder(t target) string { return filepath.Join(m.tmp, "bin", t.String()) }

func (m *maker) program(t target, name string) string {
	if t.system == "windows" {
		name += ".exe"
	}
	return filepath.Join(m.folder(t), name)
}

// build builds both programs.
func (m *maker) build(t target) error {
	c := exec.CommandContext(m.ctx, "go", "build", "-trimpath", "-buildvcs=true", "-ldflags", "-s -w -buildid=", "-o", m.folder(t)+string(filepath.Separator), "./cmd/capd", "./cmd/capctl")
	c.Dir, c.Env = m.src, m.env("GOOS="+t.system, "GOARCH="+t.arch)
	_, err := output(c)
	return err
}

// host is a program that runs here.
func (m *maker) host(chosen []target, name string) (string, error) {
	here := target{runtime.GOOS, runtime.GOARCH}
	for _, t := range chosen {
		if t == here {
			return m.program(t, name), nil
		}
	}
	return m.program(here, name), m.build(here)
}

// checksums lists what was made, for sha256sum --check.
func (m *maker) checksums() error {
	files, err := os.ReadDir(m.out)
	if err != nil {
		return err
	}
	var b strings.Builder
	for _, f := range files {
		text, err := os.ReadFile(filepath.Join(m.out, f.Name()))
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(text), f.Name())
	}
	return os.WriteFile(filepath.Join(m.out, "SHA256SUMS"), []byte(b.String()), 0o644)
}
