// Package checkup answers one question: is this bench in order? It looks at everything that an
// agent needs and changes nothing; what it finds is a list of values that `capd check` prints.
package checkup

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/autostart"
	"capd.example/internal/text"
	"capd.example/record"
)

// State says what a finding is.
type State string

// The states. A note is worth knowing and nothing that must be mended.
const (
	OK    State = "ok"
	Note  State = "note"
	Wrong State = "wrong"
)

// Finding is one thing that was looked at.
type Finding struct {
	Subject string `json:"subject"`         // what was looked at, such as "watch folder"
	State   State  `json:"state"`           //
	What    string `json:"what"`            // what is so
	Means   string `json:"means,omitempty"` // what that means for the passes
	Remedy  string `json:"do,omitempty"`    // what to do or to type
}

// Print writes it for people. Carry has a command that it names carry what the user gave.
func (f Finding) Print(w io.Writer, carry func(string) string) error {
	state := string(f.State)
	if f.State == Wrong {
		state = strings.ToUpper(state)
	}
	_, err := text.Fprintf(w, "%-6s %s: %s\n", state, f.Subject, f.What)
	if f.Means != "" && err == nil {
		_, err = text.Fprintf(w, "       means: %s\n", f.Means)
	}
	if f.Remedy != "" && err == nil {
		_, err = text.Fprintf(w, "       %s\n", carry("do: "+f.Remedy))
	}
	return err
}

// Any reports whether something is wrong.
func Any(list []Finding) bool {
	for _, f := range list {
		if f.State == Wrong {
			return true
		}
	}
	return false
}

// World is what of the machine does not lie in the folders of the configuration, and what
// cannot be told from a file. [Here] is this machine; tests plant faults.
type World struct {
	Now       time.Time
	Version   string    // of this program
	Built     time.Time // when its source was committed; zero for unknown
	Linux     bool
	Free      func(path string) (bytes uint64, err error)
	Remote    func(path string) bool // on a network drive
	Synced    []string               // folders that a cloud client says it keeps in step
	Autostart func(context.Context) (autostart.State, error)
	Agent     func(context.Context) (control.Status, error)
	Others    func() []Other
	Machine   Machine
	Unsynced  func() bool  // the system's clock follows no other
	Bus       func() error // the desktop's message bus, which shows notifications
	Validator []string     // starts the standard validators
}

// Machine is the bench, as package sysinfo reads it.
type Machine interface {
	Detect(context.Context) record.System
	// Blind lists what cannot be sampled, and the graphics cards, by number, about which their
	// vendor's library tells nothing.
	Blind() (missing []record.Gap, dark map[int]string)
}

// Other is another agent that runs on this machine.
type Other struct {
	PID         int
	Watch, Data string
}

// Options say what is looked at.
type Options struct {
	Config config.Config
	Wrong  []error // settings that make no sense
	Send   bool    // try the alert channels with a real message
}

// Look looks at everything and returns what it found, in the order in which one would mend it.
func Look(ctx context.Context, w World, o Options) []Finding {
	l := &looker{World: w, Options: o, c: o.Config}
	l.status, l.silent = w.Agent(ctx)
	l.settings()
	l.campaign()
	l.watch()
	l.data()
	l.store(ctx)
	l.clock()
	l.start(ctx)
	l.agent()
	l.validators()
	l.channels(ctx)
	l.lab(ctx)
	l.sensors(ctx)
	return l.found
}

// looker gathers findings.
type looker struct {
	World
	Options
	c      config.Config
	status control.Status // of the running agent
	silent error          // why it says nothing; nil where it does
	newest time.Time      // the latest time that the store holds
	found  []Finding
}

func (l *looker) ok(subject, format string, args ...any) {
	l.found = append(l.found, Finding{Subject: subject, State: OK, What: fmt.Sprintf(format, args...)})
}

func (l *looker) note(subject, what, means, remedy string) {
	l.found = append(l.found, Finding{subject, Note, what, means, remedy})
}

func (l *looker) wrong(subject, what, means, remedy string) {
	l.found = append(l.found, Finding{subject, Wrong, what, means, remedy})
}

// place names the configuration file.
func (l *looker) place() string {
	if l.c.From != "" {
		return l.c.From
	}
	return config.DefaultFile()
}
