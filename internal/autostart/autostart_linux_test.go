package autostart

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestMain lets this test binary stand for the kept program.
func TestMain(m *testing.M) {
	if path := os.Getenv("KEEP_COUNT"); path != "" {
		before, _ := os.ReadFile(path)
		os.WriteFile(path, append(before, '.'), 0o600)
		if len(before) < 1 {
			os.Exit(3)
		}
		if os.Getenv("KEEP_END") == "wrong" {
			os.Exit(2)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// A program that died is started again; one that ended by itself, or says that a new start
// would mend nothing, is not.
func TestKeep(t *testing.T) {
	for end, fails := range map[string]bool{"well": false, "wrong": true} {
		count := filepath.Join(t.TempDir(), "count")
		t.Setenv("KEEP_COUNT", count)
		t.Setenv("KEEP_END", end)
		err := Keep(context.Background(), []string{os.Args[0]}, 2)
		if started, _ := os.ReadFile(count); len(started) != 2 || (err != nil) != fails {
			t.Errorf("ended %s: started %d times, %v", end, len(started), err)
		}
	}
}

var odd = Start{
	Program: `/home/a b/100% "x"/$y/capd`,
	Given:   []string{"--config", "/home/o'neil/$HOME/%h/back\\slash `id`.toml", "--data", ""},
	Log:     "/tmp/agent.log",
}

// What a unit says is read by systemd itself as the command line that was meant.
func TestUnitIsReadAsMeant(t *testing.T) {
	systemd, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("needs Debian's package systemd:", err)
	}
	dir := t.TempDir()
	program := filepath.Join(dir, `a b 100% ö`, "capd")
	if err := os.MkdirAll(filepath.Dir(program), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	s := odd
	s.Program = program
	unit := filepath.Join(dir, unitName)
	if err := os.WriteFile(unit, []byte(Unit(s)), 0o644); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(systemd, "verify", "--user", "--man=no", unit)
	c.Env = append(os.Environ(), "XDG_RUNTIME_DIR="+dir)
	if out, err := c.CombinedOutput(); err != nil || strings.Contains(string(out), unitName+":") {
		t.Errorf("%v\n%s\n%s", err, out, Unit(s))
	}
}

// Quoting by the rules of systemd.service(5), "Command lines", and of the Desktop Entry
// Specification 1.5, "The Exec key" and "Possible value types".
func TestQuoting(t *testing.T) {
	if got, want := unitLine(Unit(odd)), `ExecStart="/home/a b/100%% \"x\"/$y/capd" --config "/home/o'neil/$$HOME/%%h/back\\slash `+"`id`"+`.toml" --data "" run --log /tmp/agent.log`; got != want {
		t.Errorf("the unit says\n%s, want\n%s", got, want)
	}
	if got, want := entryLine(desktopEntry(odd)), `Exec="/home/a b/100%% \\"x\\"/\\$y/capd" "--config" "/home/o'neil/\\$HOME/%%h/back\\\\slash `+"\\\\`id\\\\`"+`.toml" "--data" "" "keep" "--log" "/tmp/agent.log"`; got != want {
		t.Errorf("the entry says\n%s, want\n%s", got, want)
	}
}

func unitLine(text string) string  { return lineWith(text, "ExecStart=") }
func entryLine(text string) string { return lineWith(text, "Exec=") }

func lineWith(text, begin string) string {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, begin) {
			return strings.TrimSpace(line)
		}
	}
	return ""
}

// A plan that was carried out leaves nothing open, and what it takes back nothing behind.
func TestPlanWithoutSystemd(t *testing.T) {
	dir := t.TempDir()
	p := Place{Method: Desktop, Programs: filepath.Join(dir, "bin"), Units: filepath.Join(dir, "units"), Desktop: filepath.Join(dir, "autostart")}
	from := filepath.Join(dir, "unpacked", programNames[0])
	for _, name := range programNames {
		path := filepath.Join(filepath.Dir(from), name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	copies, program := p.Copies(from, isFile)
	if len(copies) != 2 || program != filepath.Join(p.Programs, programNames[0]) {
		t.Fatalf("%v, %s", copies, program)
	}
	if none, where := p.Copies(program, isFile); len(none) != 0 || where != program {
		t.Errorf("a program in its place is copied: %v", none)
	}
	plan := append(copies, p.desktopPlan(Start{Program: program, Log: "log"})...)
	plan = plan[:len(plan)-1] // all but the start
	if err := plan.Stage(); err != nil {
		t.Fatal(err)
	}
	told := 0
	for range 2 {
		if err := plan.Apply(t.Context(), func(Step) { told++ }); err != nil {
			t.Fatal(err)
		}
	}
	if open, err := plan.Open(); told != 3 || len(open) != 0 || err != nil {
		t.Errorf("%d steps were told, %v are open, %v", told, open, err)
	}
	if info, err := os.Stat(program); err != nil || info.Mode()&0o100 == 0 {
		t.Errorf("%v, %v", info, err)
	}
	if err := p.UninstallPlan().Apply(t.Context(), func(Step) {}); err != nil {
		t.Error(err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "autostart", "*")); len(left) != 0 {
		t.Errorf("left: %v", left)
	}
}

// What somebody else wrote stays: an install and an uninstall refuse to replace it, and leave
// the user's folder of programs, which may be a link.
func TestFilesOfOthersStay(t *testing.T) {
	dir := t.TempDir()
	real := filepath.Join(dir, "real")
	if err := os.MkdirAll(real, 0o755); err != nil {
		t.Fatal(err)
	}
	p := Place{Method: Desktop, Programs: filepath.Join(dir, "bin"), Units: filepath.Join(dir, "units"), Desktop: filepath.Join(dir, "autostart")}
	if err := os.Symlink(real, p.Programs); err != nil {
		t.Fatal(err)
	}
	job := Job{Place: p, Self: filepath.Join(dir, "capd"), Data: filepath.Join(dir, "data"), Tell: func(string, ...any) {},
		Plan: func(Plan) error { return nil }, DryRun: true}
	entry := filepath.Join(p.Desktop, desktopName)
	if err := os.MkdirAll(p.Desktop, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{entry, filepath.Join(p.Programs, programNames[0])} {
		if err := os.WriteFile(path, []byte("by hand"), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(job.Self, []byte("program"), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := job.Install(t.Context()); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("install over %s: %v", path, err)
		}
		if path == entry {
			if err := job.Uninstall(t.Context()); err == nil || !strings.Contains(err.Error(), path) {
				t.Errorf("uninstall of %s: %v", path, err)
			}
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
	job.DryRun = false
	if err := job.Uninstall(t.Context()); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(p.Programs); err != nil {
		t.Errorf("the user's folder went: %v", err)
	}
}
