package autostart

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

var programNames = []string{"capd", "capctl"}

// Here says where things of this user lie, by the XDG Base Directory Specification, and asks
// whether a systemd of the user's answers.
func Here(ctx context.Context) (Place, error) {
	home, err := os.UserHomeDir()
	if err != nil {
		return Place{}, err
	}
	config, err := os.UserConfigDir()
	if err != nil {
		return Place{}, err
	}
	p := Place{
		Method: Desktop, Programs: filepath.Join(home, ".local", "bin"), Packaged: "/usr/lib/systemd/user",
		Units: filepath.Join(config, "systemd", "user"), Desktop: filepath.Join(config, "autostart"),
	}
	if _, err := output(ctx, "systemctl", "--user", "show", "--property=Version"); err == nil {
		p.Method = Systemd
	}
	return p, nil
}

// Stays reports that a program is where it belongs: among the user's programs, or where a
// package manager put it.
func (p Place) Stays(program string) bool {
	folder := filepath.Dir(program)
	for _, packaged := range []string{"/usr", "/opt", "/nix", "/gnu", "/snap"} {
		if strings.HasPrefix(folder, packaged+"/") {
			return true
		}
	}
	return sameFile(folder, p.Programs)
}

func sameFile(a, b string) bool {
	ia, err := os.Stat(a)
	if err != nil {
		return false
	}
	ib, err := os.Stat(b)
	return err == nil && os.SameFile(ia, ib)
}

// InstallPlan says what makes the session start the agent, and starts it now.
func (p Place) InstallPlan(s Start) (Plan, error) {
	if p.Method == Desktop {
		return p.desktopPlan(s), nil
	}
	packaged, err := os.ReadFile(filepath.Join(p.Packaged, unitName))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return p.unitPlan(s, string(packaged)), nil
}

// UninstallPlan takes back what any InstallPlan made.
func (p Place) UninstallPlan() Plan {
	plan := Plan{{Do: Remove, Path: filepath.Join(p.Desktop, desktopName)}}
	if p.Method == Systemd {
		plan = append(plan, systemctl(true, "disable", "--now", "--quiet", unitName))
	}
	plan = append(plan, Step{Do: Remove, Path: filepath.Join(p.Units, unitName)},
		// Left where the manager did not answer.
		Step{Do: Remove, Path: filepath.Join(p.Units, "default.target.wants", unitName)})
	if p.Method == Systemd {
		plan = append(plan, systemctl(true, "daemon-reload"), systemctl(true, "reset-failed", unitName))
	}
	return plan
}

// replace puts one file in the place of another, also of a program that runs.
func replace(from, to string) error { return os.Rename(from, to) }

func discard(path string) error { return os.Remove(path) }

// unseen and apart say how programs are started: this one without more, that one so that it
// outlives the terminal.
func unseen() *syscall.SysProcAttr { return nil }
func apart() *syscall.SysProcAttr  { return &syscall.SysProcAttr{Setsid: true} }

// Unattended gives back the window that the system opened for this program alone.
func Unattended() {}

// quit asks a program to end.
func quit(c *exec.Cmd) error { return c.Process.Signal(syscall.SIGTERM) }

// runs reports that the process runs that very program, and not one that was there before.
func runs(pid int, program string) bool { return sameFile(fmt.Sprintf("/proc/%d/exe", pid), program) }

var errNoRegistry = errors.New("there is no registry here")

func userValue(string, string) (string, bool, error) { return "", false, errNoRegistry }
func setUserValue(string, string, string) error      { return errNoRegistry }
func removeUserValue(string, string) error           { return errNoRegistry }
func userKey(string) (bool, error)                   { return false, errNoRegistry }
func removeUserKey(string) error                     { return errNoRegistry }

// otherUser reports that the program was started for another user than the one who typed it.
func otherUser() bool { return unix.Geteuid() == 0 && os.Getenv("SUDO_USER") != "" }
