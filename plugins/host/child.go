package host

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/hashicorp/go-plugin/runner"
	"github.com/rs/zerolog"

	"capd.example/internal/text"
)

// child is the operating system's side of a validator: it starts the process at low
// priority and tied to this one, reads what it prints, watches its memory and ends it
// with all that it started. What differs between systems is in tie.
type child struct {
	argv      []string
	maxMemory int64
	log       zerolog.Logger

	cmd            *exec.Cmd
	tie            *tie
	stdout, stderr io.ReadCloser
	close          func() // of all that is read from it

	gone   chan struct{}   // closed when the process was waited for
	over   context.Context // ends when the process is gone or must go
	finish context.CancelFunc

	mu      sync.Mutex
	started bool
	killed  error // why we ended it, nil when it ended by itself
	state   error // how it ended
	unable  error // why it could not be started, where that is known after the start alone
	printed int
	tail    []byte // the first and last of its standard error
}

// prepare takes over the command that the library made for the handshake.
func (c *child) prepare(cmd *exec.Cmd, socketDir string) (runner.Runner, error) {
	c.cmd = exec.Command(c.argv[0], c.argv[1:]...)
	c.cmd.Env = append(cmd.Env, baseEnv(socketDir)...)
	c.cmd.Dir = socketDir
	c.gone = make(chan struct{})
	c.over, c.finish = context.WithCancel(context.Background())
	return c, nil
}

// baseEnv is all that a validator gets to see of the agent's environment.
func baseEnv(dir string) []string {
	env := []string{"TMPDIR=" + dir, "TMP=" + dir, "TEMP=" + dir}
	for _, name := range []string{"PATH", "HOME", "LANG", "LC_ALL", "TZ", "SystemRoot", "SystemDrive", "USERPROFILE",
		"APPDATA", "LOCALAPPDATA", "ProgramData", "PATHEXT", "GORACE", "GOCOVERDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// Start implements the library's runner.
func (c *child) Start(context.Context) error {
	out, outW, err := os.Pipe()
	if err != nil {
		return err
	}
	errR, errW, err := os.Pipe()
	if err != nil {
		return errors.Join(err, out.Close(), outW.Close())
	}
	c.cmd.Stdout, c.cmd.Stderr = outW, errW
	first, firstW := io.Pipe()
	c.stdout, c.stderr = first, errR
	c.close = func() { errR.Close(); out.Close(); first.Close() }
	result := make(chan error, 1)
	go c.live(result)
	err = <-result
	outW.Close()
	errW.Close()
	if err != nil {
		c.close()
		c.finish()
		return err
	}
	go c.drain(out, firstW)
	return nil
}

// drain hands the first line of the standard output on, which is the handshake, and reads
// and counts all of it: the library stops at a line that is too long for it, and a program
// whose output nobody reads hangs.
func (c *child) drain(out io.Reader, first *io.PipeWriter) {
	buf := make([]byte, 32<<10)
	for handshake := true; ; {
		n, err := out.Read(buf)
		c.count(n)
		if handshake && n > 0 {
			line := bytes.IndexByte(buf[:n], '\n')
			handshake = line < 0
			if _, err := first.Write(buf[:cmp.Or(line+1, n)]); err != nil {
				handshake = false
			}
		}
		if err != nil {
			first.Close()
			return
		}
	}
}

// live starts the process and waits for it on one locked thread: Linux sends the
// parent-death signal when the starting thread ends, not when the process does.
func (c *child) live(result chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	tied, err := startTied(c.cmd, c.maxMemory)
	if err != nil {
		close(c.gone)
		result <- err
		return
	}
	c.mu.Lock()
	c.tie, c.started = tied, true
	c.mu.Unlock()
	go c.watchMemory()
	result <- nil
	state, unable := tied.wait()
	c.mu.Lock()
	c.state, c.unable = state, unable
	c.mu.Unlock()
	close(c.gone)
	c.finish()
	// Whatever may hold the pipes still: nobody must wait for it.
	time.AfterFunc(time.Second, c.close)
}

// watchMemory ends the process when it and all that it started hold more memory than they may.
func (c *child) watchMemory() {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-c.gone:
			return
		case <-tick.C:
			if used, by := c.tie.resident(c.maxMemory); used > c.maxMemory {
				whose := "the validator"
				if by > 1 {
					whose = fmt.Sprintf("the validator and what it started, %d processes,", by)
				}
				c.endFor(fmt.Errorf("%s took %d MiB of memory; the limit is %d MiB, so the agent stopped it", whose, used>>20,
					c.maxMemory>>20))
				return
			}
		}
	}
}

// endFor ends the process and remembers why; the first reason counts.
func (c *child) endFor(why error) {
	c.mu.Lock()
	if c.killed == nil {
		c.killed = why
	}
	started := c.started
	c.mu.Unlock()
	if started {
		c.tie.end()
	}
}

// end ends the process and waits until it is gone.
func (c *child) end() {
	c.mu.Lock()
	started := c.started
	c.mu.Unlock()
	if !started {
		return
	}
	c.endFor(errStopped)
	<-c.gone
}

var errStopped = errors.New("the validator was stopped")

func (c *child) exited() bool {
	select {
	case <-c.gone:
		return true
	default:
		return false
	}
}

// waitBriefly gives a process whose connection broke the time to be gone.
func (c *child) waitBriefly() {
	if c.gone == nil {
		return
	}
	select {
	case <-c.gone:
	case <-time.After(3 * time.Second): // on a busy machine it ends late
	}
}

// cause says why the process is gone, or nil while it is not.
func (c *child) cause() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if errors.Is(c.killed, errStopped) {
		return nil // it had to go for what it said, which is known elsewhere
	}
	if c.killed != nil {
		return c.killed
	}
	if c.gone == nil || !c.started || !c.exited() {
		return nil
	}
	if c.unable != nil {
		return c.unable
	}
	how := "ended by itself"
	if c.state != nil {
		how = "crashed (" + c.state.Error() + ")"
	}
	if said := lastWords(c.tail); said != "" {
		return fmt.Errorf("the validator %s; it wrote: %s", how, said)
	}
	return fmt.Errorf("the validator %s and wrote nothing", how)
}

// lastWords picks the line of a standard error that says most.
func lastWords(tail []byte) string {
	var last string
	for line := range strings.Lines(text.Valid(string(tail))) {
		line = strings.TrimSpace(line)
		if strings.HasPrefix(line, "panic: ") || strings.HasPrefix(line, "fatal error: ") {
			last = line
			break
		}
		if line != "" {
			last = line
		}
	}
	return text.Cut(last, 300)
}

// count notes printed bytes and ends a process that floods.
func (c *child) count(n int) {
	c.mu.Lock()
	c.printed += n
	flood := c.printed > maxOutput
	c.mu.Unlock()
	if flood {
		c.endFor(fmt.Errorf("the validator wrote more than %d kB of output, so the agent stopped it", maxOutput>>10))
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// output takes what comes over the connection as standard output and error.
func (c *child) output() io.Writer {
	return writerFunc(func(p []byte) (int, error) { c.count(len(p)); return len(p), nil })
}

// messages takes the standard error of the process: its last part is kept for the
// reason, each line goes to the log.
func (c *child) messages() io.Writer {
	return writerFunc(func(p []byte) (int, error) {
		c.count(len(p))
		c.mu.Lock()
		c.tail = append(c.tail, p...)
		if len(c.tail) > 16<<10 {
			// A trace says what happened at its head, most programs at their end.
			c.tail = slices.Concat(c.tail[:4<<10], c.tail[len(c.tail)-8<<10:])
		}
		quiet := c.printed > 64<<10
		c.mu.Unlock()
		if line := bytes.TrimSpace(p); len(line) > 0 && !quiet {
			c.log.Debug().Bytes("validator_wrote", line).Send()
		}
		return len(p), nil
	})
}

// The rest of the library's runner.

func (c *child) Diagnose(context.Context) string { return "" }
func (c *child) Stdout() io.ReadCloser           { return c.stdout }
func (c *child) Stderr() io.ReadCloser           { return c.stderr }
func (c *child) Name() string                    { return c.argv[0] }
func (c *child) Wait(context.Context) error      { <-c.gone; return nil }

// Kill implements the library's runner. The library calls it as soon as the output ends;
// a process that is ending by itself gets the time to, so that its own exit is known.
func (c *child) Kill(context.Context) error {
	select {
	case <-c.gone:
		return nil
	case <-time.After(100 * time.Millisecond):
	}
	c.endFor(errStopped)
	return nil
}

// ID implements the library's runner.
func (c *child) ID() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.started {
		return ""
	}
	return strconv.Itoa(c.cmd.Process.Pid)
}

// PluginToHost and HostToPlugin: both sides see the same addresses.
func (c *child) PluginToHost(network, address string) (string, string, error) {
	return network, address, nil
}

// HostToPlugin implements the library's runner.
func (c *child) HostToPlugin(network, address string) (string, string, error) {
	return network, address, nil
}
