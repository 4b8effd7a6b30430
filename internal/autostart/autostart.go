// Package autostart has the agent started with its user's session, needs neither root nor
// administrator, and takes that back.
//
// What is to be done is a [Plan], a value: `capd install --dry-run` prints it, [Plan.Apply]
// carries it out. How a session starts programs differs: a unit of the user's systemd, a
// desktop's autostart entry, or the user's Run key on Windows. The agent shows alerts on the
// desktop and reads the user's folders, so it is never a service of the system.
package autostart

import (
	"path/filepath"
	"slices"
)

// Method is how programs are started with the session.
type Method string

// The methods. Systemd starts a program again that died; with the others [Keep] does.
const (
	Systemd Method = "systemd user unit"
	Desktop Method = "desktop autostart entry"
	RunKey  Method = "Run key"
)

// Place says where things of one user lie.
type Place struct {
	Method   Method
	Programs string // folder for programs of the user
	Units    string // folder of units of the user's systemd
	Desktop  string // folder of a desktop's autostart entries
	Packaged string // folder of units that packages bring; "" for none
	Run      string // registry key below HKEY_CURRENT_USER that starts programs
	Approved string // the same, where the task manager notes what is switched off
}

// Start is what is to be started.
type Start struct {
	Program string   // absolute path of capd
	Given   []string // what stands in front of the command: --config FILE ...
	Log     string   // file of the agent's own log
}

// agent is the command line that runs the agent in the foreground.
func (s Start) agent() []string { return s.with("run") }

// kept is the command line that runs it and starts it again when it dies.
func (s Start) kept() []string { return s.with("keep") }

func (s Start) with(command string) []string {
	return append(append([]string{s.Program}, s.Given...), command, "--log", s.Log)
}

const (
	unitName    = "capd.service"
	desktopName = "capd.desktop"
	valueName   = "capd"
)

// Copies lists what of the folder in which this program lies is to be copied to where the
// user's programs are: nothing where a package manager, or an earlier install, put it in its
// place already. Program is where it will be.
func (p Place) Copies(self string, there func(path string) bool) (copies Plan, program string) {
	if p.Stays(self) {
		return nil, self
	}
	from := filepath.Dir(self)
	for _, name := range programNames {
		if there(filepath.Join(from, name)) {
			copies = append(copies, Step{Do: Copy, From: filepath.Join(from, name), Path: filepath.Join(p.Programs, name)})
		}
	}
	if filepath.Base(self) != programNames[0] { // started under another name
		copies = slices.DeleteFunc(copies, func(s Step) bool { return filepath.Base(s.Path) == programNames[0] })
		copies = append(Plan{{Do: Copy, From: self, Path: filepath.Join(p.Programs, programNames[0])}}, copies...)
	}
	return copies, filepath.Join(p.Programs, programNames[0])
}
