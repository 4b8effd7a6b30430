package autostart

import (
	"slices"
	"testing"
)

// What the systems say of the agent, as they write it.
func TestReadStates(t *testing.T) {
	const loaded = "LoadState=loaded\nActiveState=active\nUnitFileState=enabled\nExecStart={ path=/home/u/at 100% home/capd ; argv[]=/home/u/capd run ; ignore_errors=no }\n"
	if s := unitState(loaded); !s.Installed || s.Program != "/home/u/at 100% home/capd" || len(s.Faults) > 0 {
		t.Errorf("%+v", s)
	}
	for text, want := range map[string]Fault{
		"LoadState=loaded\nUnitFileState=disabled\nActiveState=inactive\n": SwitchedOff,
		"LoadState=masked\nUnitFileState=masked\nActiveState=inactive\n":   SwitchedOff,
		"LoadState=loaded\nUnitFileState=enabled\nActiveState=failed\n":    Failed,
	} {
		if s := unitState(text); !slices.Contains(s.Faults, want) {
			t.Errorf("%q: %+v", text, s)
		}
	}
	if s := unitState("LoadState=not-found\nUnitFileState=\n"); s.Installed || len(s.Faults) > 0 {
		t.Errorf("no unit: %+v", s)
	}
	text := desktopEntry(odd)
	if program, off := entryState(text); program != odd.Program || off {
		t.Errorf("%q, %v from\n%s", program, off, text)
	}
	for _, key := range []string{"Hidden=true\n", "X-GNOME-Autostart-enabled=false\n"} {
		if _, off := entryState(text + key); !off {
			t.Errorf("%s is not seen", key)
		}
	}
	for value, want := range map[string]bool{"\x02\x00\x00\x00": false, "\x06": false, "\x03\x00\x00\x00": true, "\x07": true, "": false} {
		if disapproved([]byte(value)) != want {
			t.Errorf("%q in the task manager's list: %v", value, !want)
		}
	}
}

// A task's description, by the schema of Windows' Task Scheduler.
func TestTaskFaults(t *testing.T) {
	task := func(settings string) string {
		return `<?xml version="1.0" encoding="UTF-16"?><Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task"><Settings>` + settings + `</Settings></Task>`
	}
	const mains = "<DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries><StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>"
	for settings, want := range map[string][]Fault{
		mains + "<ExecutionTimeLimit>PT0S</ExecutionTimeLimit>": nil,
		mains + "<ExecutionTimeLimit>P3D</ExecutionTimeLimit>":  {TimeLimit},
		mains: {TimeLimit},
		"<ExecutionTimeLimit>PT0S</ExecutionTimeLimit>":                                 {OnBattery},
		mains + "<ExecutionTimeLimit>PT0S</ExecutionTimeLimit><Enabled>false</Enabled>": {SwitchedOff},
	} {
		if got, err := taskFaults([]byte(task(settings))); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v, want %v", settings, got, err, want)
		}
	}
}
