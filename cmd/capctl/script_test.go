package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"github.com/rogpeppe/go-internal/testscript"
)

// capdFolder holds the agent, built once for all scripts.
var capdFolder string

// The scripts under testdata/scripts are the specification of both programs: capctl is
// this test binary under another name, capd is built as its user would build it.
func TestMain(m *testing.M) {
	roles := map[string]func(){"capctl": main, "brittle": serveBrittle}
	if _, plays := roles[strings.TrimSuffix(filepath.Base(os.Args[0]), ".exe")]; !plays { // not when this binary runs as one of them
		dir, err := os.MkdirTemp("", "capd-scripts")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		capdFolder = dir
		out, err := exec.Command("go", append(append([]string{"build"}, testlab.BuildFlags...), "-o", dir+string(os.PathSeparator), "capd.example/cmd/capd")...).CombinedOutput()
		if err != nil {
			fmt.Fprintf(os.Stderr, "build capd: %v\n%s", err, out)
			os.Exit(1)
		}
		os.Setenv("CAPD_FOLDER", dir)
	}
	testscript.Main(cleanUp{m}, roles)
}

// cleanUp removes the built agent when the tests are over.
type cleanUp struct{ m *testing.M }

func (c cleanUp) Run() int {
	status := c.m.Run()
	os.RemoveAll(capdFolder)
	return status
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join(testlab.Root(), "testdata", "scripts"),
		RequireExplicitExec: true,
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		Setup: func(env *testscript.Env) error {
			env.Vars = append(env.Vars,
				"PATH="+capdFolder+string(os.PathListSeparator)+env.Getenv("PATH"),
				"HOME="+env.WorkDir, "XDG_CONFIG_HOME="+env.WorkDir+"/.config", "XDG_DATA_HOME="+env.WorkDir+"/.data",
				"REPO="+testlab.Root(), "GORACE=halt_on_error=1 exitcode=66")
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"await":     await,
			"simulated": simulated,
			"undo":      undo,
			"undonote":  undoNote,
		},
		Condition: func(cond string) (bool, error) {
			if cond == "root" {
				return runtime.GOOS != "windows" && os.Getuid() == 0, nil
			}
			return false, fmt.Errorf("unknown condition %q", cond)
		},
	})
}

// await PROGRAM ARGS... -- PATTERN runs a program again and again until its standard
// output matches the pattern, for at most 90 seconds: the
// machine may be at work, and the race detector slows everything.
func await(ts *testscript.TestScript, neg bool, args []string) {
	n := len(args)
	if neg || n < 4 || args[n-2] != "--" {
		ts.Fatalf("usage: await program args... -- pattern")
	}
	re, err := regexp.Compile(args[n-1])
	ts.Check(err)
	deadline := time.Now().Add(90 * time.Second)
	var out string
	for time.Now().Before(deadline) {
		ts.Exec(args[0], args[1:n-2]...) // its status may be anything: only the output counts
		if out = ts.ReadFile("stdout"); re.MatchString(out) {
			return
		}
		<-time.After(100 * time.Millisecond)
	}
	ts.Fatalf("%q never printed %q; last output:\n%s", args[:n-2], args[n-1], out)
}

// simulated FILE SEED FPS SECONDS [STALL_AT STALL] writes an invented log.
func simulated(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 {
		ts.Fatalf("usage: simulated file seed fps seconds [stall_at stall]")
	}
	var num []float64
	for _, a := range args[1:] {
		var x float64
		if _, err := fmt.Sscan(a, &x); err != nil {
			ts.Fatalf("%q is not a number", a)
		}
		num = append(num, x)
	}
	s := testlab.Scene{Seed: uint64(num[0]), FPS: num[1], Seconds: num[2], Load: 1, Hitches: -1}
	if len(num) >= 5 {
		s.StallAtS, s.StallS = num[3], num[4]
	}
	path := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
	ts.Check(os.WriteFile(path, testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644))
}

// undo [--dry-run] FILE takes the last correction of a list of changes back.
func undo(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: undo [--dry-run] file")
	}
	changes := strings.Fields(ts.ReadFile(args[len(args)-1]))
	ts.Check(ts.Exec("capctl", append([]string{"--config", "bench.toml", "tag", "--undo", changes[len(changes)-1]}, args[:len(args)-1]...)...))
}

// undoNote takes the note back that the last command wrote.
func undoNote(ts *testscript.TestScript, neg bool, args []string) {
	m := regexp.MustCompile(`note --undo ([0-9a-f]+)'`).FindStringSubmatch(ts.ReadFile("stderr"))
	if neg || len(args) > 0 || m == nil {
		ts.Fatalf("usage: undonote, after a note")
	}
	ts.Check(ts.Exec("capctl", "--config", "bench.toml", "note", "--undo", m[1]))
}
