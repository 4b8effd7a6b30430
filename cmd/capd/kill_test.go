package main_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

// TestKilledAgent kills the real agent at random moments while logs arrive. In the end
// every log must be stored exactly once, judged and told about, and no validator process
// may be left over.
func TestKilledAgent(t *testing.T) {
	dir := t.TempDir()
	capd := filepath.Join(dir, "capd")
	if runtime.GOOS == "windows" {
		capd += ".exe"
	}
	if out, err := exec.Command("go", append(append([]string{"build"}, testlab.BuildFlags...), "-o", capd, "capd.example/cmd/capd")...).CombinedOutput(); err != nil {
		t.Fatalf("build the agent: %v\n%s", err, out)
	}
	logs, data := filepath.Join(dir, "logs"), filepath.Join(dir, "data")
	conf := filepath.Join(dir, "capd.toml")
	text := fmt.Sprintf("bench = \"b\"\ndata = %q\nwatch = %q\n[expect]\nduration_s = 20\n[files]\nquiet_s = 0.3\n[checks]\noff = [\"background\"]\n", data, logs)
	must(t, os.WriteFile(conf, []byte(text), 0o644))
	must(t, os.MkdirAll(logs, 0o755))

	const kills, each = 8, 2
	var out bytes.Buffer // of all agents, one after the other
	rng := rand.New(rand.NewPCG(7, 7))
	want := map[string]bool{}
	for round := range kills {
		for i := range each {
			s := testlab.Scene{Seed: uint64(round*each + i), FPS: 120, Seconds: 20, Load: 1, Hitches: -1}
			if i == 1 {
				s.Seconds = 8
			}
			name := fmt.Sprintf("log%02d.csv", round*each+i)
			must(t, os.WriteFile(filepath.Join(logs, name), testlab.Log(testlab.LogStyle(i), s.Frames(), nil), 0o644))
			want[name] = true
		}
		agent := start(t, capd, conf, &out)
		<-time.After(time.Duration(150+rng.IntN(900)) * time.Millisecond) // the moment of the kill is the random input
		must(t, agent.Process.Kill())
		agent.Wait()
	}

	agent := start(t, capd, conf, &out)
	passes := awaitTold(t, data, len(want))
	agent.Process.Signal(os.Interrupt)
	agent.Wait()
	for _, p := range passes {
		name := filepath.Base(p.Log)
		if !want[name] {
			t.Errorf("%s is stored twice or was never written", name)
		}
		delete(want, name)
		early := p.Metrics.DurationS < 10
		if early != (p.Verdict == record.VerdictBad) {
			t.Errorf("%s of %.1f s is %s", name, p.Metrics.DurationS, p.Verdict)
		}
		if early && !strings.Contains(out.String(), "["+p.ID+"]") {
			t.Errorf("nobody was told about %s", name)
		}
	}
	for name := range want {
		t.Errorf("%s is not stored", name)
	}
	if strings.Contains(out.String(), "DATA RACE") {
		t.Errorf("the agent has a data race:\n%s", out.String())
	}
	noValidators(t, capd)
}

func start(t *testing.T, capd, conf string, out *bytes.Buffer) *exec.Cmd {
	t.Helper()
	c := exec.Command(capd, "run", "--config", conf)
	c.Stdout, c.Stderr = out, out
	must(t, c.Start())
	return c
}

// awaitTold waits until n passes are stored and nothing is unfinished. What is unfinished is
// asked before the passes: the other way round a pass could be read unjudged and be finished
// by the time of the second question.
func awaitTold(t *testing.T, data string, n int) []record.Pass {
	t.Helper()
	ctx := context.Background()
	var passes []record.Pass
	var left []store.Unfinished
	for end := time.Now().Add(2 * time.Minute); time.Now().Before(end); <-time.After(100 * time.Millisecond) {
		s, err := store.Open(ctx, filepath.Join(data, "passes.db"), store.Options{ReadOnly: true})
		if err != nil {
			continue
		}
		left, err = s.Unfinished(ctx)
		if err == nil {
			passes, err = s.Passes(ctx, store.Filter{})
		}
		s.Close()
		if err == nil && len(passes) == n && len(left) == 0 && judged(passes) {
			return passes
		}
	}
	t.Fatalf("%d of %d passes are stored and %d of them are unfinished", len(passes), n, len(left))
	return nil
}

// judged says whether each of the passes has its verdict: one stored between the two
// questions of awaitTold has none yet.
func judged(passes []record.Pass) bool {
	return !slices.ContainsFunc(passes, func(p record.Pass) bool { return p.Verdict == "" })
}

// noValidators fails when a process of the killed agents is still there.
func noValidators(t *testing.T, capd string) {
	t.Helper()
	if runtime.GOOS != "linux" {
		return
	}
	left := ""
	for end := time.Now().Add(time.Minute); time.Now().Before(end); <-time.After(50 * time.Millisecond) {
		left = ""
		lines, err := filepath.Glob("/proc/[0-9]*/cmdline")
		must(t, err)
		for _, l := range lines {
			if text, err := os.ReadFile(l); err == nil && strings.HasPrefix(string(text), capd+"\x00") {
				left = l
			}
		}
		if left == "" {
			return
		}
	}
	t.Errorf("%s is left over", left)
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
