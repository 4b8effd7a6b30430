package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/record"
)

// blocks returns the indented blocks of a section of the README, without their indent.
func blocks(t *testing.T, heading string) (out []string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(testlab.Root(), "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(strings.ReplaceAll(string(text), "\r\n", "\n"), "\n"+heading+"\n")
	if !found {
		t.Fatalf("README has no section %q", heading)
	}
	section, _, _ = strings.Cut(section, "\n## ")
	var block []string
	for _, line := range append(strings.Split(section, "\n"), "end") {
		code, indented := strings.CutPrefix(line, "    ")
		switch {
		case indented:
			block = append(block, code)
		case line == "" && block != nil:
			block = append(block, "")
		case block != nil:
			out, block = append(out, strings.TrimSpace(strings.Join(block, "\n"))), nil
		}
	}
	return out
}

// TestFirstSession types what README's first session says, as it stands there, and ends as
// it says: one bad pass, repeated, and the rest clean. The tag is given the moment the pass
// is listed, while it may still be judged.
func TestFirstSession(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil || runtime.GOOS == "windows" {
		t.Skip("no bash")
	}
	code := blocks(t, "## First session")
	const start, file, run, come, see, again, check = 0, 1, 2, 3, 4, 5, 6
	if len(code) != 7 || !strings.HasPrefix(code[run], "capd run") || !strings.Contains(code[again], " ID ") {
		t.Fatalf("README's first session has other blocks than this test types: %q", code)
	}
	checkout := t.TempDir()
	if err := os.Symlink(filepath.Join(testlab.Root(), "testdata"), filepath.Join(checkout, "testdata")); err != nil {
		t.Fatal(err)
	}
	capctl, err := exec.LookPath("capctl")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(checkout, "bin"), 0o700); err != nil {
		t.Fatal(err)
	}
	for name, target := range map[string]string{"capctl": capctl, "capd": filepath.Join(os.Getenv("CAPD_FOLDER"), "capd")} {
		if err := os.Symlink(target, filepath.Join(checkout, "bin", name)); err != nil {
			t.Fatal(err)
		}
	}
	home := t.TempDir()
	command := func(dir, text string) *exec.Cmd {
		c := exec.Command(bash, "-c", text)
		c.Dir = dir
		c.Env = append(os.Environ(), "HOME="+home, "XDG_CONFIG_HOME="+home, "XDG_DATA_HOME="+home)
		return c
	}
	typed := func(dir, text string) string { // what it prints, whatever it says of it
		t.Helper()
		c := command(dir, text)
		out, err := c.CombinedOutput()
		if err != nil && c.ProcessState == nil {
			t.Fatal(err)
		}
		return string(out)
	}
	export, _, _ := strings.Cut(code[start], "\n")
	typed(checkout, code[start])
	session := filepath.Join(checkout, "session")
	if err := os.WriteFile(filepath.Join(session, "capd.toml"), []byte(code[file]), 0o600); err != nil {
		t.Fatal(err)
	}
	second := func(text string) string { return typed(checkout, export+"\ncd session\n"+text) }

	var said bytes.Buffer
	agent := command(checkout, export+"\ncd session\nexec "+code[run])
	agent.Stdout, agent.Stderr = &said, &said
	if err := agent.Start(); err != nil {
		t.Fatal(err)
	}
	stopped := make(chan error, 1)
	go func() { stopped <- agent.Wait() }()
	stop := sync.OnceFunc(func() { agent.Process.Signal(os.Interrupt); <-stopped })
	defer stop()

	passes := func() (out []record.Pass) {
		for line := range strings.Lines(second("capctl --config capd.toml passes --json 2>/dev/null")) {
			var p record.Pass
			if json.Unmarshal([]byte(line), &p) == nil {
				out = append(out, p)
			}
		}
		return out
	}
	until := func(what string, holds func([]record.Pass) bool) []record.Pass {
		t.Helper()
		for deadline := time.Now().Add(2 * time.Minute); ; {
			list := passes()
			if holds(list) {
				return list
			}
			if time.Now().After(deadline) {
				t.Fatalf("never came: %s; there are %d passes", what, len(list))
			}
			<-time.After(100 * time.Millisecond)
		}
	}
	judged := func(n int) func([]record.Pass) bool {
		return func(list []record.Pass) bool {
			for _, p := range list {
				if p.Verdict == "" {
					return false
				}
			}
			return len(list) == n
		}
	}
	verdicts := func(list []record.Pass) string {
		count := map[record.Verdict]int{}
		for _, p := range list {
			count[p.Verdict]++
		}
		return fmt.Sprint(count)
	}

	for deadline := time.Now().Add(time.Minute); ; { // the folder is there when the agent is
		if _, err := os.Stat(filepath.Join(session, "logs")); err == nil || time.Now().After(deadline) {
			break
		}
		<-time.After(50 * time.Millisecond)
	}
	second(code[come])
	if got := verdicts(until("six judged passes", judged(6))); got != "map[bad:1 clean:5]" {
		t.Errorf("after the first logs: %s\n%s", got, second("capctl --config capd.toml passes"))
	}
	see1 := second(code[see])
	for _, want := range []string{"game-a", "g3", "g4"} {
		if !strings.Contains(see1, want) {
			t.Errorf("%q is not in\n%s", want, see1)
		}
	}
	copying, rest, _ := strings.Cut(code[again], "\n")
	second(copying)
	list := until("the repeated pass", func(list []record.Pass) bool { return len(list) == 7 })
	id := ""
	for _, p := range list {
		if strings.HasSuffix(p.Log, "again.csv") {
			id = p.ID
		}
	}
	again1 := second(strings.ReplaceAll(rest, " ID ", " "+id+" "))
	if got := verdicts(until("seven judged passes", judged(7))); got != "map[bad:1 clean:6]" {
		t.Errorf("in the end: %s\n%s\n%s", got, again1, second("capctl --config capd.toml passes; capctl --config capd.toml show "+id))
	}
	second("sed -i 's/duration_s = 5/duration_s = 3/' capd.toml")
	if out := second(code[check]); !strings.Contains(out, "of 7 passes") {
		t.Error(out)
	}
	stop()
	if out := said.String(); !strings.Contains(out, "BAD pass 3 of game-a g4 [") || !strings.Contains(out, "the log covers 2.9 s of the 5.0 s expected") || strings.Contains(out, "(agreement)") {
		t.Error(out)
	}
}
