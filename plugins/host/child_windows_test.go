package host

import (
	"fmt"
	"os"
	"os/exec"
	"testing"

	"golang.org/x/sys/windows"
)

// The test binary is also the validator of these tests, and what it starts.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "stay" {
		held := make([]byte, 40<<20)
		for i := range held {
			held[i] = 1
		}
		if len(os.Args) > 2 {
			c := exec.Command(os.Args[0], "stay")
			if err := c.Start(); err != nil {
				fmt.Println(err)
				os.Exit(1)
			}
			fmt.Println(c.Process.Pid)
		}
		fmt.Scanln() // until its standard input ends
		if len(os.Args) > 2 {
			os.Exit(9)
		}
		select {}
	}
	os.Exit(m.Run())
}

// What a validator starts counts with its memory, from its first moment on, and goes with
// it.
func TestJobHoldsAll(t *testing.T) {
	c := exec.Command(os.Args[0], "stay", "with another")
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	held, err := startTied(c, 512<<20)
	if err != nil {
		t.Fatal(err)
	}
	const quiet = windows.CREATE_NO_WINDOW | windows.IDLE_PRIORITY_CLASS
	if got := c.SysProcAttr.CreationFlags; got&quiet != quiet {
		t.Errorf("it is started with %#x: with a window, or before a game", got)
	}
	var pid uint32
	if _, err := fmt.Fscan(out, &pid); err != nil {
		t.Fatal(err)
	}
	child, err := windows.OpenProcess(windows.SYNCHRONIZE, false, pid)
	if err != nil {
		t.Fatal(err)
	}
	defer windows.CloseHandle(child)
	for { // until the child has taken its memory
		sum, n := held.resident(512 << 20)
		if n != 2 && n != 3 { // the system may give them a console of their own, unseen
			t.Fatalf("%d processes hold %d bytes", n, sum)
		}
		if sum > 80<<20 {
			break
		}
	}
	in.Close()
	if state, _ := held.wait(); state == nil || state.Error() != "exit status 9" {
		t.Errorf("it ended with %v", state)
	}
	if got, err := windows.WaitForSingleObject(child, 60_000); got != windows.WAIT_OBJECT_0 {
		t.Errorf("what it started is still there: %d, %v", got, err)
	}
}
