package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"capd.example/record"
)

// helper is what this test binary does as an alert command.
func helper(what string, args []string) int {
	switch what {
	case "keep":
		text, _ := io.ReadAll(os.Stdin)
		env := strings.Join(os.Environ(), "\n")
		if os.WriteFile(args[0], text, 0o600) != nil || os.WriteFile(args[0]+".env", []byte(env), 0o600) != nil {
			return 1
		}
		return 0
	case "fail":
		fmt.Println(strings.Repeat("x", 1<<20))
		fmt.Fprintln(os.Stderr, "no such\nroom")
		return 3
	case "hang": // with a child that holds the output open
		child := exec.Command(os.Args[0], "alert-helper", "wait")
		child.Stdout = os.Stdout
		if child.Start() != nil {
			return 1
		}
		os.WriteFile(args[0], fmt.Append(nil, child.Process.Pid), 0o600)
		fallthrough
	case "wait":
		<-time.After(time.Minute)
	case "deaf":
		return 0
	}
	return 0
}

func command(t *testing.T, args ...string) *Command {
	t.Helper()
	c, err := NewCommand(append([]string{os.Args[0], "alert-helper"}, args...))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCommandGetsThePass(t *testing.T) {
	t.Setenv("SOME_TOKEN", "t0ken")
	file := filepath.Join(t.TempDir(), "got")
	a := badAlert(1)
	if err := command(t, "keep", file).Send(context.Background(), a); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var p record.Pass
	if err := json.Unmarshal(text, &p); err != nil || p.Verdict != record.VerdictBad || p.SHA256 != a.Pass.SHA256 {
		t.Errorf("got %s (%v)", text, err)
	}
	env, err := os.ReadFile(file + ".env")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(env), "CAPD_ALERT_ID="+a.ID) || strings.Contains(string(env), "t0ken") {
		t.Errorf("environment:\n%s", env)
	}
}

// A log's name is words for a shell, and a command may be one: nothing of it is run, and it is one
// line of the environment.
func TestNothingOfALogsNameIsRun(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("has no /bin/sh")
	}
	file := filepath.Join(t.TempDir(), "got")
	here := t.TempDir()
	t.Chdir(here)
	p := badPass(1)
	p.Log = "/logs/$(touch x)`touch y`;\"q' & touch z |x %s\n$IFS\x1b[2J.csv"
	p.Tags[record.TagGame] = record.Tag{Value: p.Log}
	a, ok := FromPass(p, time.Now())
	if !ok {
		t.Fatal("a bad pass makes no alert")
	}
	c, err := NewCommand([]string{"/bin/sh", "-c", `exec "$0" alert-helper keep "$1"`, os.Args[0], file})
	if err == nil {
		err = c.Send(t.Context(), a)
	}
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var got record.Pass
	if err := json.Unmarshal(text, &got); err != nil || got.Log != p.Log {
		t.Errorf("the command reads the log's name as %q, %v", got.Log, err)
	}
	env, err := os.ReadFile(file + ".env")
	if err != nil {
		t.Fatal(err)
	}
	named := 0
	for line := range strings.Lines(string(env)) {
		if name, value, ok := strings.Cut(line, "="); ok && strings.HasPrefix(name, "CAPD_ALERT_") && strings.Contains(value, "touch x") {
			named++
			if !strings.Contains(value, ".csv") || strings.Contains(value, "\x1b") {
				t.Errorf("%q", line)
			}
		}
	}
	if left, err := os.ReadDir(here); err != nil || len(left) > 0 || named == 0 {
		t.Errorf("%d lines name the log; the command's folder holds %v, %v", named, left, err)
	}
}

func TestCommandFails(t *testing.T) {
	err := command(t, "fail").Send(context.Background(), badAlert(1))
	if err == nil || !strings.Contains(err.Error(), "exit status 3") || !strings.HasSuffix(err.Error(), "no such room") || len(err.Error()) > 3*tailBytes {
		t.Errorf("error of %d bytes: %.300v", len(fmt.Sprint(err)), err)
	}
}

// A program that never reads its input must not hang or count as failed.
func TestCommandIsDeaf(t *testing.T) {
	a := badAlert(1)
	a.Text = strings.Repeat("long ", 1<<10)
	a.Pass.Log = strings.Repeat("x", 1<<20)
	if err := command(t, "deaf").Send(context.Background(), a); err != nil {
		t.Error(err)
	}
}

func TestCommandHangs(t *testing.T) {
	file := filepath.Join(t.TempDir(), "child")
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- command(t, "hang", file).Send(ctx, badAlert(1)) }()
	var pid int
	eventually(t, "the child", func() bool {
		text, err := os.ReadFile(file)
		if err != nil {
			return false
		}
		n, err := fmt.Sscan(string(text), &pid)
		return n == 1 && err == nil
	})
	stop()
	if err := <-ended; err == nil {
		t.Error("a command that was killed counts as run")
	}
	eventually(t, "the end of the child", func() bool { return !alive(pid) })
}

func TestNoSuchCommand(t *testing.T) {
	if _, err := NewCommand([]string{filepath.Join(t.TempDir(), "none")}); err == nil {
		t.Error("a program that is not there was taken")
	}
	if _, err := NewCommand(nil); err == nil {
		t.Error("no program was taken")
	}
}
