package owncost

import (
	"testing"
	"time"
)

// TestStopwatch: time that was slept is not time used, where the system tells the
// difference; time spent working is.
func TestStopwatch(t *testing.T) {
	if _, counted := threadTime(); !counted {
		t.Skip("this system does not count the time of a thread finely")
	}
	w := Start()
	for x := 0; FineTime()-w.start < 20*time.Millisecond; x++ {
	}
	if used := w.Used(); used <= 0 || used > FineTime()-w.start {
		t.Errorf("used %s", used)
	}
}
