package disturbance

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"capd.example/config"
	"capd.example/control"
	"github.com/shirou/gopsutil/v3/process"
)

// agentStarts is how long an agent may take until its store is there: a program that was
// never run on this machine may be looked through first.
const agentStarts = time.Minute

// measuredAgent is the agent that is held still and let go on.
type measuredAgent struct {
	proc  *process.Process
	cmd   *exec.Cmd
	data  string        // its data folder
	watch string        // the folder that it watches
	said  string        // the file that holds its messages
	ended chan struct{} // closed when it has ended
	let   func()        // closes what ties it to this program
}

// startMeasured runs the agent in a folder of its own, where it works as on any bench, and
// returns when its store is there.
func startMeasured(ctx context.Context, program, dir string) (*measuredAgent, error) {
	m := &measuredAgent{data: filepath.Join(dir, "data"), watch: filepath.Join(dir, "watch"),
		said: filepath.Join(dir, "said"), ended: make(chan struct{})}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make a folder for the agent: %w", err)
	}
	said, err := os.Create(m.said)
	if err != nil {
		return nil, fmt.Errorf("make a file for the agent's messages: %w", err)
	}
	defer said.Close()
	m.cmd = exec.CommandContext(ctx, program, "--data", m.data, "--watch", m.watch, "run")
	m.cmd.Stderr = said
	if m.let, err = startTied(m.cmd); err != nil {
		return nil, fmt.Errorf("start the agent: %w", err)
	}
	go func() {
		_ = m.cmd.Wait() // how it ended is told by its messages
		close(m.ended)
	}()
	if m.proc, err = process.NewProcessWithContext(ctx, int32(m.cmd.Process.Pid)); err != nil {
		err = fmt.Errorf("find the agent that was started: %w", err)
	}
	for start := time.Now(); err == nil && !exists((config.Config{Data: m.data}).StoreFile()); {
		if err = m.gone(); err == nil {
			err = sleepUntil(ctx, time.Now().Add(100*time.Millisecond))
		}
		if err == nil && time.Since(start) > agentStarts {
			err = fmt.Errorf("the agent %s has no store after %s%s", program, agentStarts, m.words())
		}
	}
	if err != nil {
		m.stop()
		return nil, err
	}
	return m, nil
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// stop ends the agent and whatever it has started.
func (m *measuredAgent) stop() {
	defer m.let()
	if m.cmd.Process.Signal(os.Interrupt) != nil { // Windows knows no interrupt for others
		_ = m.cmd.Process.Kill() // an error says that it has ended
	}
	select {
	case <-m.ended:
	case <-time.After(10 * time.Second):
		_ = m.cmd.Process.Kill()
		<-m.ended
	}
}

// gone says that the agent has ended, and what it said last.
func (m *measuredAgent) gone() error {
	select {
	case <-m.ended:
		return fmt.Errorf("the agent %s ended by itself%s", m.cmd.Path, m.words())
	default:
		return nil
	}
}

// words is the last that the agent said, in brackets after a space.
func (m *measuredAgent) words() string {
	text, err := os.ReadFile(m.said)
	lines := strings.FieldsFunc(string(text), func(r rune) bool { return r == '\n' || r == '\r' })
	if err != nil || len(lines) == 0 {
		return "; it wrote nothing: try 'capd run' by hand"
	}
	return fmt.Sprintf("; it wrote: %s", strings.Join(lines[max(0, len(lines)-2):], "; "))
}

// samples asks the agent how many samples it has taken.
func (m *measuredAgent) samples(ctx context.Context) (uint64, error) {
	agent, err := control.Dial(ctx, m.data)
	if errors.Is(err, control.ErrNoAgent) {
		return 0, errors.New("the agent has no control socket here")
	}
	if err != nil {
		return 0, fmt.Errorf("the agent does not answer: %w", err)
	}
	defer agent.Close()
	o, err := agent.Overhead(ctx)
	if err != nil {
		return 0, fmt.Errorf("the agent does not answer: %w", err)
	}
	return o.Samples, nil
}

// sampled returns the samples taken since there were so many before. It fails where they
// are less than the least: rounds beside an agent that does nothing would prove nothing.
func (m *measuredAgent) sampled(ctx context.Context, before uint64, least int) (*uint64, error) {
	n, err := m.samples(ctx)
	if err != nil {
		return nil, err
	}
	if n -= before; n < uint64(least) {
		return nil, fmt.Errorf("the agent took %d samples instead of at least %d, so there was nothing to measure%s", n,
			least, m.words())
	}
	return &n, nil
}
