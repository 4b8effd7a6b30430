package autostart

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strings"
)

// lingering is where systemd notes whose manager stays without a session.
const lingering = "/var/lib/systemd/linger"

// Look says whether the session starts the agent, and what is wrong with that.
func (p Place) Look(ctx context.Context) (s State, err error) {
	entry, err := os.ReadFile(filepath.Join(p.Desktop, desktopName))
	if err == nil {
		s = State{Method: Desktop, Installed: true}
		off := false
		if s.Program, off = entryState(string(entry)); off {
			s.Faults = append(s.Faults, SwitchedOff)
		}
		return s.withProgram(), nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return s, err
	}
	if p.Method == Desktop {
		if isFile(filepath.Join(p.Units, unitName)) {
			return State{Method: Systemd, Installed: true, Faults: []Fault{NoManager}}, nil
		}
		return s, nil
	}
	text, err := output(ctx, "systemctl", "--user", "show", "--property=LoadState,UnitFileState,ActiveState,ExecStart", unitName)
	if err != nil {
		return s, err
	}
	s = unitState(text)
	if u, err := user.Current(); err == nil && s.Installed && !isFile(filepath.Join(lingering, u.Username)) {
		s.Faults = append(s.Faults, NotLingering)
	}
	return s.withProgram(), nil
}

// unitState reads what systemctl show says of the unit. A unit that a package brings and nobody
// enabled is not installed for this user.
func unitState(text string) State {
	p := properties(text)
	s := State{Method: Systemd, Installed: p["LoadState"] == "loaded" && p["UnitFileState"] != ""}
	if _, rest, ok := strings.Cut(p["ExecStart"], "path="); ok {
		s.Program, _, _ = strings.Cut(rest, " ;")
	}
	switch {
	case p["UnitFileState"] == "disabled" || strings.HasPrefix(p["UnitFileState"], "masked"):
		s.Faults = append(s.Faults, SwitchedOff)
	case p["ActiveState"] == "failed":
		s.Faults = append(s.Faults, Failed)
	}
	return s
}

func (s State) withProgram() State {
	if s.Program != "" && !isFile(s.Program) {
		s.Faults = append(s.Faults, NoProgram)
	}
	return s
}
