//go:build linux

package faults

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The calls by which a program changes what is on the disk. All that an answer can be lost
// of is among them; reads are not, but for [readCalls].
const (
	writeCalls = "open,openat,creat,write,pwrite64,writev,fsync,fdatasync,ftruncate,fallocate,rename,renameat,renameat2,unlink,unlinkat,mkdir,mkdirat,link,linkat,fchmod"
	roomCalls  = "open,openat,creat,write,pwrite64,writev,ftruncate,fallocate,rename,renameat,renameat2,mkdir,mkdirat,link,linkat"
	openCalls  = "open,openat,creat"
	readCalls  = "read,pread64"
)

// fault is one way in which a call fails.
type fault struct {
	name, calls, how string
	lasting          bool // from that call on
}

var faults = []fault{
	{"EIO once", writeCalls, "error=EIO", false},
	{"EIO from then on", writeCalls, "error=EIO", true},
	{"ENOSPC once", roomCalls, "error=ENOSPC", false},
	{"ENOSPC from then on", roomCalls, "error=ENOSPC", true},
	{"EMFILE once", openCalls, "error=EMFILE", false},
	{"EMFILE from then on", openCalls, "error=EMFILE", true},
	{"EIO once when reading", readCalls, "error=EIO", false},
	{"interrupted once", writeCalls, "error=EINTR", false},
	{"killed", writeCalls, "signal=KILL", false},
}

// at is the fault at the k-th call, from 1. The system's tracer counts for each thread of
// its own, so the k-th of every thread fails; each call of the program is the k-th of its
// thread for some k.
func (f fault) at(k int) string {
	plus := ""
	if f.lasting {
		plus = "+"
	}
	return fmt.Sprintf("inject=%s:%s:when=%d%s", f.calls, f.how, k, plus)
}

// traced is a program under strace.
type traced struct {
	status int                       // exit status; -1: killed
	hit    []string                  // calls that failed
	calls  map[string]map[string]int // thread = set of calls = how many
	last   string
	stdout string
	stderr string
}

// trace runs a program; what of its calls concerns the paths is traced and, with a fault
// that is not "", fails. It ends when the program does or, interrupted, when until says so.
func trace(t *testing.T, paths []string, inject string, until func(context.Context), command ...string) traced {
	t.Helper()
	out := filepath.Join(t.TempDir(), "trace")
	args := []string{"-f", "-q", "-o", out, "-e", "trace=" + writeCalls + "," + readCalls, "-e", "signal=none"}
	if !strings.Contains(inject, "signal=") { // which strace 6.1 does not send where the kernel filters
		args = append(args, "--seccomp-bpf")
	}
	for _, p := range paths {
		args = append(args, "-P", p)
	}
	if inject != "" {
		args = append(args, "-e", inject)
	}
	c := exec.Command("strace", append(args, command...)...)
	c.Env = append(os.Environ(), "GOMAXPROCS=2", "XDG_CONFIG_HOME=/nonexistent")
	var said, errs strings.Builder
	c.Stdout, c.Stderr = &said, &errs
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.WaitDelay = 10 * time.Second // a validator in a group of its own holds the pipe
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended, stop := context.WithTimeout(t.Context(), time.Minute)
	defer stop()
	var waiting sync.WaitGroup
	if until != nil {
		waiting.Go(func() {
			until(ended)
			if ended.Err() == nil {
				syscall.Kill(-c.Process.Pid, syscall.SIGINT) // the tracer ignores it
			}
		})
	}
	hung := time.AfterFunc(time.Minute, func() { syscall.Kill(-c.Process.Pid, syscall.SIGKILL) })
	err := c.Wait()
	if !hung.Stop() {
		t.Errorf("%s hangs with %s: %s", filepath.Base(command[0]), inject, errs.String())
	}
	stop()
	waiting.Wait()
	syscall.Kill(-c.Process.Pid, syscall.SIGKILL) // what a killed program leaves
	got := traced{stdout: said.String(), stderr: errs.String()}
	var exit *exec.ExitError
	switch {
	case err == nil:
	case errors.As(err, &exit):
		got.status = exit.ExitCode() // -1 when killed
	default:
		t.Errorf("%s: %v", filepath.Base(command[0]), err)
	}
	got.read(t, out)
	if got.status < 0 && len(got.hit) == 0 {
		got.hit = []string{"killed at " + got.last}
	}
	return got
}

var callLine = regexp.MustCompile(`^(\d+) +(\w+)\(`)

func (g *traced) read(t *testing.T, path string) {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	g.calls = map[string]map[string]int{}
	for lines.Scan() {
		line := lines.Text()
		m := callLine.FindStringSubmatch(line)
		if m != nil {
			g.last = m[2]
			g.count(m[1], m[2])
		}
		switch injected := strings.Contains(line, "(INJECTED)"); {
		case injected && m != nil:
			g.hit = append(g.hit, m[2])
		case injected:
			g.hit = append(g.hit, line) // a call that was resumed
		}
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
}

func (g *traced) count(thread, call string) {
	if g.calls[thread] == nil {
		g.calls[thread] = map[string]int{}
	}
	for _, set := range []string{writeCalls, roomCalls, openCalls, readCalls} {
		if strings.Contains(","+set+",", ","+call+",") {
			g.calls[thread][set]++
		}
	}
}

// needsStrace skips where calls cannot be made to fail.
func needsStrace(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath("strace"); err != nil {
		t.Skip("strace is not installed")
	}
	if out, err := exec.Command("strace", "-f", "--seccomp-bpf", "-qq", "-o", os.DevNull, "true").CombinedOutput(); err != nil {
		t.Skipf("programs cannot be traced here (ptrace may be forbidden): %v: %s", err, out)
	}
}
