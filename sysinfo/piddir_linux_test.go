package sysinfo

import (
	"os/exec"
	"testing"
	"time"
)

// TestStartOfAProcess: the kernel's account of when a program started is that of the clock.
func TestStartOfAProcess(t *testing.T) {
	r, why := openProcReader(tree{"/"}, true)
	if why != "" {
		t.Fatal(why)
	}
	child := exec.Command("sleep", "60")
	before := time.Now()
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	after := time.Now()
	defer child.Wait()
	defer child.Process.Kill()
	p, ok := r.open(child.Process.Pid)
	if !ok {
		t.Fatal("the child is not shown")
	}
	defer r.close(p)
	const tick = 20 * time.Millisecond // two ticks of the kernel's
	if p.began.Before(before.Add(-tick)) || p.began.After(after.Add(tick)) {
		t.Errorf("began at %s, started between %s and %s", p.began, before, after)
	}
}
