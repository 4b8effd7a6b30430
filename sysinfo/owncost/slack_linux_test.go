package owncost

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// TestSlackenTimers has the test's own program do it: number, arguments and environment
// stay, every thread has the slack, and what it starts does not learn of it.
func TestSlackenTimers(t *testing.T) {
	const role = "CAPD_TEST_SLACK"
	if os.Getenv(role) != "" {
		fmt.Println("begun as", os.Getpid())
		if err := SlackenTimers(5 * time.Millisecond); err != nil {
			fmt.Println(err)
		}
		slack := make(chan int)
		go func() { // on another thread, for this one is the test's
			n, _ := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0)
			slack <- n
		}()
		_, marked := os.LookupEnv(startedAgain)
		fmt.Println("goes on as", os.Getpid(), len(os.Args), <-slack, marked)
		return
	}
	if _, err := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0); err != nil {
		t.Skipf("this kernel has no slack of timers: %v", err)
	}
	c := exec.Command(os.Args[0], "-test.run=^TestSlackenTimers$")
	c.Env = append(os.Environ(), role+"=1")
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	id := c.Process.Pid
	want := fmt.Sprintf("begun as %d\nbegun as %d\ngoes on as %d 2 5000000 false\n", id, id, id)
	if got := string(out); !strings.HasPrefix(got, want) {
		t.Errorf("got\n%s, want\n%s", got, want)
	}
}
