package main_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"capd.example/internal/testlab/postgres"
	"capd.example/store"
	"capd.example/store/lab"
)

// TestAgentSendsToTheLab runs the real agent beside a real server that is away at first:
// passes are judged as ever, and sent by themselves when it is there.
func TestAgentSendsToTheLab(t *testing.T) {
	server, err := postgres.Begin()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	must(t, err)
	t.Cleanup(server.End)
	address, err := server.Create("lab")
	must(t, err)
	l, err := lab.Open(t.Context(), address)
	must(t, err)
	_, err = l.Setup(t.Context(), lab.Options{})
	must(t, err)
	l.Close()
	must(t, server.Stop())

	dir := t.TempDir()
	capd := filepath.Join(dir, "capd")
	if out, err := exec.Command("go", append(append([]string{"build"}, testlab.BuildFlags...), "-o", capd, "capd.example/cmd/capd")...).CombinedOutput(); err != nil {
		t.Fatalf("build the agent: %v\n%s", err, out)
	}
	logs, data, conf := filepath.Join(dir, "logs"), filepath.Join(dir, "data"), filepath.Join(dir, "capd.toml")
	text := fmt.Sprintf("bench = \"bench-1\"\ndata = %q\nwatch = %q\n[files]\nquiet_s = 0.3\n[lab]\naddress = %q\n", data, logs, address)
	must(t, os.WriteFile(conf, []byte(text), 0o600))
	must(t, os.MkdirAll(logs, 0o755))
	for i := range 3 {
		s := testlab.Scene{Seed: uint64(i), FPS: 90, Seconds: 10, Load: 1, Hitches: -1}
		must(t, os.WriteFile(filepath.Join(logs, fmt.Sprintf("log%d.csv", i)), testlab.Log(testlab.LogStyle(i), s.Frames(), nil), 0o644))
	}
	var out bytes.Buffer
	agent := start(t, capd, conf, &out)
	defer func() {
		agent.Process.Signal(os.Interrupt)
		agent.Wait()
		if t.Failed() {
			t.Logf("the agent said:\n%s", out.String())
		}
	}()
	awaitTold(t, data, 3)
	must(t, server.Start())

	n := 0
	for end := time.Now().Add(time.Minute); time.Now().Before(end) && n != 3; <-time.After(200 * time.Millisecond) {
		n = passesOf(t.Context(), address)
	}
	if n != 3 {
		t.Errorf("%d of 3 passes came to the lab", n)
	}
}

func passesOf(ctx context.Context, address string) int {
	l, err := lab.Open(ctx, address)
	if err != nil {
		return 0
	}
	defer l.Close()
	list, err := l.Passes(ctx, store.Filter{Bench: "bench-1"})
	if err != nil {
		return 0
	}
	return len(list)
}
