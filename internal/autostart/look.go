package autostart

import (
	"encoding/xml"
	"strings"
)

// State is what a session knows of the agent.
type State struct {
	Method    Method
	Installed bool
	Program   string // what it starts; "" where that cannot be read
	Faults    []Fault
}

// Fault is something that keeps the agent from starting or running.
type Fault int

// The faults. NotLingering is one only where nobody is logged in.
const (
	SwitchedOff  Fault = iota // by the user, with the means of the system
	NoProgram                 // the program is gone
	Failed                    // systemd tried in vain
	NoManager                 // a unit, and no systemd of the user's
	TimeLimit                 // a task that is ended after a time
	OnBattery                 // a task that does not run on battery
	NotLingering              // the agent ends at logout
)

// properties reads lines of NAME=VALUE, as systemctl show writes them.
func properties(text string) map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(text) {
		if name, value, ok := strings.Cut(strings.TrimRight(line, "\r\n"), "="); ok {
			out[name] = value
		}
	}
	return out
}

// entryState reads an autostart entry. Hidden comes from the specification; the other key is
// what desktops write that offer a switch.
func entryState(text string) (program string, off bool) {
	p := properties(text)
	off = p["Hidden"] == "true" || p["X-GNOME-Autostart-enabled"] == "false"
	if line := p["Exec"]; strings.HasPrefix(line, `"`) {
		program, _, _ = strings.Cut(line[1:], `" `)
		program = strings.NewReplacer(`\\\\`, `\`, `\\"`, `"`, "\\\\`", "`", `\\$`, `$`, `%%`, `%`).Replace(program)
	}
	return program, off
}

// disapproved reads what the task manager notes of a program in the Run key: an odd first byte
// is off, an even one on (seen, not documented).
func disapproved(value []byte) bool { return len(value) > 0 && value[0]&1 == 1 }

// taskFaults reads the description of a scheduled task. What is not set is the default: an
// end after three days, and none on battery (Task Scheduler schema, settingsType).
func taskFaults(description []byte) (faults []Fault, err error) {
	var task struct {
		Settings struct {
			Enabled    *bool
			Limit      *string `xml:"ExecutionTimeLimit"`
			NotStarted *bool   `xml:"DisallowStartIfOnBatteries"`
			Stopped    *bool   `xml:"StopIfGoingOnBatteries"`
		}
	}
	// It says that it is UTF-16 and has become something else on the way here.
	if _, rest, ok := strings.Cut(string(description), "?>"); ok {
		description = []byte(rest)
	}
	if err := xml.Unmarshal(description, &task); err != nil {
		return nil, err
	}
	yes := func(b *bool) bool { return b == nil || *b }
	s := task.Settings
	if !yes(s.Enabled) {
		faults = append(faults, SwitchedOff)
	}
	if s.Limit == nil || *s.Limit != "PT0S" {
		faults = append(faults, TimeLimit)
	}
	if yes(s.NotStarted) || yes(s.Stopped) {
		faults = append(faults, OnBattery)
	}
	return faults, nil
}
