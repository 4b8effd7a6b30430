package main_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"capd.example/internal/testlab"
)

// mostMemory is the agent's, in KiB, with any number of logs that wait: measured 50 to 62 MB
// with 250 and with 3,000.
const mostMemory = 80 << 10

// However many logs come at once, the agent holds one at a time.
func TestMemoryStaysSmallWhileLogsQueue(t *testing.T) {
	if len(testlab.BuildFlags) > 0 {
		t.Skip("the race detector takes memory of its own")
	}
	n := 25
	if testlab.Long(t) {
		n = 500
	}
	a := attack(t, "")
	for i := range n {
		s := testlab.Scene{Seed: uint64(i + 1), FPS: 120, Seconds: 20, Load: 1, Hitches: -1}
		must(t, os.WriteFile(fmt.Sprintf("%s/%d.csv", a.logs, i), testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644))
	}
	for done := 0; done < n; {
		a.until(fmt.Sprint("more than ", done, " logs are judged"), func() bool {
			s, err := a.status()
			more := err == nil && s.Passes > done
			if more {
				done = s.Passes
			}
			return more
		})
	}
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", a.agent.Process.Pid))
	must(t, err)
	var peak int
	for line := range strings.Lines(string(status)) {
		if rest, is := strings.CutPrefix(line, "VmHWM:"); is {
			_, err := fmt.Sscan(rest, &peak)
			must(t, err)
		}
	}
	t.Logf("%d logs: %d MiB at most", n, peak>>10)
	if peak == 0 || peak > mostMemory {
		t.Errorf("the agent held %d KiB with %d logs at once, more than %d", peak, n, mostMemory)
	}
}
