package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"time"

	"capd.example/internal/text"
)

// Command runs a program for every alert, with the [Payload] on its standard input and
// the alert's words in the environment: CAPD_ALERT_ID, CAPD_ALERT_KIND, CAPD_ALERT_TEXT,
// CAPD_ALERT_ADVICE. No shell is involved and no word of an alert becomes an argument.
type Command struct{ args []string }

// NewCommand names a program and its arguments.
func NewCommand(args []string) (*Command, error) {
	if len(args) == 0 || args[0] == "" {
		return nil, errors.New("alert command: no program named")
	}
	if _, err := exec.LookPath(args[0]); err != nil {
		return nil, fmt.Errorf("alert command: %w", err)
	}
	return &Command{args: append([]string(nil), args...)}, nil
}

// Name implements [Channel].
func (*Command) Name() string { return "command" }

// Send implements [Channel]. An exit status other than 0 is a failure; what the program
// said last is part of the error.
func (c *Command) Send(ctx context.Context, a Alert) error {
	body, err := Payload(a)
	if err != nil {
		return &Refused{fmt.Errorf("write the alert: %w", err)}
	}
	cmd := exec.CommandContext(ctx, c.args[0], c.args[1:]...)
	cmd.Stdin = bytes.NewReader(append(body, '\n'))
	var said tail
	cmd.Stdout, cmd.Stderr = &said, &said
	cmd.Env = append(environment(), "CAPD_ALERT_ID="+a.ID, "CAPD_ALERT_KIND="+string(a.Kind),
		"CAPD_ALERT_TEXT="+text.Line(a.Text), "CAPD_ALERT_ADVICE="+text.Line(a.Advice))
	cmd.WaitDelay = time.Second // children that keep the output open
	apart(cmd)
	if err := cmd.Run(); err != nil && !errors.Is(err, exec.ErrWaitDelay) {
		failed := fmt.Errorf("alert command %s: %w", c.args[0], err)
		if words := text.Line(said.String()); words != "" {
			failed = fmt.Errorf("%w; it said: %s", failed, words)
		}
		return &Refused{failed} // says nothing about the next alert
	}
	return nil
}

// What a program needs to find its files, its user and the desktop; nothing else of the
// agent's environment is passed on.
var passedOn = []string{
	"PATH", "HOME", "USER", "LOGNAME", "SHELL", "LANG", "LC_ALL", "TZ", "TMPDIR",
	"XDG_RUNTIME_DIR", "DBUS_SESSION_BUS_ADDRESS", "DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY",
	"SystemRoot", "SystemDrive", "windir", "ComSpec", "PATHEXT", "TEMP", "TMP",
	"USERNAME", "USERPROFILE", "APPDATA", "LOCALAPPDATA", "ProgramData", "ProgramFiles",
}

func environment() (env []string) {
	for _, name := range passedOn {
		if v, ok := os.LookupEnv(name); ok {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// tail keeps the last bytes that were written to it.
type tail struct{ b []byte }

const tailBytes = 2048

func (t *tail) Write(p []byte) (int, error) {
	t.b = append(t.b, p...)
	if len(t.b) > tailBytes {
		t.b = append(t.b[:0], t.b[len(t.b)-tailBytes:]...)
	}
	return len(p), nil
}

func (t *tail) String() string { return text.Valid(string(t.b)) }
