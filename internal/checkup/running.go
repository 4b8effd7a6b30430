package checkup

import (
	"context"
	"errors"
	"fmt"

	"capd.example/control"
	"capd.example/internal/autostart"
)

// start reports whether the agent starts with the session.
func (l *looker) start(ctx context.Context) {
	const subject = "autostart"
	s, err := l.Autostart(ctx)
	if err != nil {
		l.wrong(subject, err.Error(), "it is not known whether the agent starts with your session", "'capd install'")
		return
	}
	if !s.Installed {
		l.note(subject, "the agent does not start with your session", "it must be started by hand each day", "'capd install'")
		return
	}
	before := len(l.found)
	for _, f := range s.Faults {
		w := faults[f]
		what := w.What
		if f == autostart.NoProgram {
			what += s.Program
		}
		if w.State == Note {
			l.note(subject, what, w.Means, w.Remedy)
		} else {
			l.wrong(subject, what, w.Means, w.Remedy)
		}
	}
	if len(l.found) == before {
		l.ok(subject, "%s, %s", s.Method, s.Program)
	}
}

// faults are what can be wrong with the way in which the session starts the agent.
var faults = map[autostart.Fault]Finding{
	autostart.SwitchedOff:  {"", Wrong, "it is switched off", "the agent does not start with your session", "'capd install' switches it on again"},
	autostart.NoProgram:    {"", Wrong, "the program is gone: ", "the agent does not start with your session", "'capd install' of a program that is there"},
	autostart.Failed:       {"", Wrong, "systemd could not start the agent", "logs are not noticed", "journalctl --user -u capd tells why; then 'capd install'"},
	autostart.NoManager:    {"", Wrong, "it is a unit of systemd, and your systemd does not answer", "the agent does not start in this session", "log in again, or 'capd install' for a session without systemd"},
	autostart.TimeLimit:    {"", Wrong, "a scheduled task ends the agent after a time (72 hours where nothing is set)", "a campaign of days goes unwatched from then on", "'capd install', then schtasks /delete /tn capd"},
	autostart.OnBattery:    {"", Wrong, "a scheduled task does not run on battery", "the agent ends when the mains go", "'capd install', then schtasks /delete /tn capd"},
	autostart.NotLingering: {"", Note, "the agent ends when you log out", "a bench that nobody is logged in to is not watched", "loginctl enable-linger, where that is what you want"},
}

// agent reports what the running agent says, and whether there is more than one.
func (l *looker) agent() {
	const subject = "agent"
	switch {
	case l.silent == nil && l.status.Version != l.Version:
		l.wrong(subject, fmt.Sprintf("the one that runs is %s, this program is %s", l.status.Version, l.Version), "checks and fixes of this version are not in force", "'capd install'")
	case l.silent == nil:
		l.ok(subject, "it runs as process %d since %s", l.status.PID, l.status.Since.Local().Format("15:04"))
	case errors.Is(l.silent, control.ErrHeld):
		l.wrong(subject, "another agent holds the data folder "+l.c.Data+" and cannot be asked anything", "capctl cannot say what it does; a second one cannot start", "end the process capd, then 'capd install'")
	case errors.Is(l.silent, control.ErrNoAgent):
		l.note(subject, "none runs", "logs are not noticed until one does; none is lost", "'capd install', or 'capd run' in a window")
	default:
		l.wrong(subject, l.silent.Error(), "nobody knows what it does", "end the process capd, then 'capd install'")
	}
	for _, t := range l.status.Troubles {
		l.wrong(subject, t.Text, "it stands since "+t.Since.Local().Format("15:04"), t.Advice)
	}
	if l.status.Paused != "" {
		l.note(subject, "it is paused: "+l.status.Paused, "logs wait to be read", "'capctl resume'")
	}
	for _, o := range l.Others() {
		if l.silent == nil && o.PID == l.status.PID {
			continue
		}
		if o.Watch == l.c.Watch && o.Data != l.c.Data {
			l.wrong(subject, fmt.Sprintf("another agent, process %d, watches %s too and keeps passes in %s", o.PID, o.Watch, o.Data), "each log becomes a pass of both, and both disturb what is measured", fmt.Sprintf("end process %d, or give it a folder of its own", o.PID))
		}
	}
}
