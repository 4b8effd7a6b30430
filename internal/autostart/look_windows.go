package autostart

import (
	"context"
	"errors"
	"io/fs"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

// Look says whether the session starts the agent, and what is wrong with that. A scheduled
// task is looked at too: somebody may have made one before.
func (p Place) Look(ctx context.Context) (s State, err error) {
	line, there, err := userValue(p.Run, valueName)
	if err != nil {
		return s, err
	}
	if task, err := output(ctx, "schtasks", "/query", "/tn", valueName, "/xml"); err == nil {
		if faults, err := taskFaults([]byte(task)); err == nil {
			s.Installed, s.Faults = true, faults
		}
	}
	if !there {
		return s, nil
	}
	s.Method, s.Installed = RunKey, true
	if args, err := windows.DecomposeCommandLine(line); err == nil && len(args) > 0 {
		s.Program = args[0]
	}
	if off, err := p.switchedOff(); err != nil {
		return s, err
	} else if off {
		s.Faults = append(s.Faults, SwitchedOff)
	}
	if s.Program != "" && !isFile(s.Program) {
		s.Faults = append(s.Faults, NoProgram)
	}
	return s, nil
}

func (p Place) switchedOff() (bool, error) {
	k, err := registry.OpenKey(registry.CURRENT_USER, p.Approved, registry.QUERY_VALUE)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer k.Close()
	value, _, err := k.GetBinaryValue(valueName)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	return disapproved(value), err
}
