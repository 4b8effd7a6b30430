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
	"unsafe"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"
)

var programNames = []string{"capd.exe", "capctl.exe"}

// Here says where things of this user lie.
func Here(context.Context) (Place, error) {
	local, err := os.UserCacheDir() // %LocalAppData%
	if err != nil {
		return Place{}, err
	}
	return Place{
		Method: RunKey, Programs: filepath.Join(local, "Programs", "capd"),
		Run:      `Software\Microsoft\Windows\CurrentVersion\Run`,
		Approved: `Software\Microsoft\Windows\CurrentVersion\Explorer\StartupApproved\Run`,
	}, nil
}

// Stays reports that a program is where it belongs: among the user's programs, or where an
// administrator put it.
func (p Place) Stays(program string) bool {
	folder := strings.ToLower(filepath.Dir(program)) + `\`
	for _, name := range []string{"ProgramFiles", "ProgramFiles(x86)", "ProgramW6432"} {
		if under := os.Getenv(name); under != "" && strings.HasPrefix(folder, strings.ToLower(under)+`\`) {
			return true
		}
	}
	return strings.EqualFold(filepath.Dir(program), p.Programs)
}

// longestRun is how long a value of the Run key may be (Microsoft, "Run and RunOnce Registry
// Keys": "no longer than 260 characters").
const longestRun = 260

// InstallPlan says what makes the session start the agent, and starts it now. A task would
// need more: at logon it is an administrator's to make, and by default it is stopped after
// three days and on battery.
func (p Place) InstallPlan(s Start) (Plan, error) {
	line := windows.ComposeCommandLine(s.kept())
	if len(line) > longestRun {
		return nil, fmt.Errorf("the Run key takes no more than %d characters, these are %d: %s: put the configuration at its default place, and the folders into it", longestRun, len(line), line)
	}
	return Plan{
		{Do: Set, Path: p.Run, Name: valueName, Text: line},
		{Do: Unset, Path: p.Approved, Name: valueName}, // switched off there, it would not be started
		{Do: Begin, Command: s.kept()},
	}, nil
}

// UninstallPlan takes back what InstallPlan made, and what the system noted of the agent.
func (p Place) UninstallPlan() Plan {
	return Plan{
		{Do: Unset, Path: p.Run, Name: valueName},
		{Do: Unset, Path: p.Approved, Name: valueName},
		{Do: Forget, Path: `Software\Classes\AppUserModelId\capd`},
	}
}

// replace puts one file in the place of another. A program that runs cannot be written over,
// but it can get another name, under which it is deleted later.
func replace(from, to string) error {
	err := os.Rename(from, to)
	if err == nil {
		return nil
	}
	if e := discard(to); e != nil {
		return errors.Join(err, e)
	}
	return os.Rename(from, to)
}

// discard removes a file. One that is a running program goes to the folder for temporary
// files: the system deletes no file that runs.
func discard(path string) error {
	err := os.Remove(path)
	if err == nil {
		return nil
	}
	aside, e := os.MkdirTemp("", "capd-removed-")
	if e != nil {
		return errors.Join(err, e)
	}
	if e := os.Rename(path, filepath.Join(aside, filepath.Base(path))); e != nil {
		return errors.Join(err, e)
	}
	return nil
}

const noWindow = windows.CREATE_NO_WINDOW

// unseen and apart say how programs are started: without a console, and so that they outlive
// this one.
func unseen() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{HideWindow: true, CreationFlags: noWindow}
}

func apart() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{HideWindow: true, CreationFlags: noWindow | windows.CREATE_NEW_PROCESS_GROUP}
}

var (
	kernel      = windows.NewLazySystemDLL("kernel32.dll")
	processList = kernel.NewProc("GetConsoleProcessList")
	freeConsole = kernel.NewProc("FreeConsole")
)

// Unattended gives back the window that the system opened for this program alone: at logon
// there is nobody who asked for one, and closing it would end the program.
func Unattended() {
	var pids [2]uint32
	n, _, _ := processList.Call(uintptr(unsafe.Pointer(&pids[0])), uintptr(len(pids)))
	if n == 1 {
		freeConsole.Call()
	}
}

// quit asks a program to end. Without a console there is no signal for that.
func quit(c *exec.Cmd) error { return c.Process.Kill() }

// runs reports that the process runs that program. A file that runs cannot be replaced here,
// so the version alone tells.
func runs(int, string) bool { return true }

func otherUser() bool { return false }

func userValue(key, name string) (value string, there bool, err error) {
	k, err := registry.OpenKey(registry.CURRENT_USER, key, registry.QUERY_VALUE)
	if errors.Is(err, fs.ErrNotExist) {
		return "", false, nil
	}
	if err != nil {
		return "", false, err
	}
	defer k.Close()
	value, _, err = k.GetStringValue(name)
	if errors.Is(err, registry.ErrUnexpectedType) {
		return "", true, nil
	}
	if errors.Is(err, fs.ErrNotExist) {
		return "", false, nil
	}
	return value, err == nil, err
}

func setUserValue(key, name, value string) error {
	k, _, err := registry.CreateKey(registry.CURRENT_USER, key, registry.SET_VALUE)
	if err != nil {
		return err
	}
	defer k.Close()
	return k.SetStringValue(name, value)
}

func removeUserValue(key, name string) error {
	k, err := registry.OpenKey(registry.CURRENT_USER, key, registry.SET_VALUE)
	if err != nil {
		return err
	}
	defer k.Close()
	return k.DeleteValue(name)
}

func userKey(key string) (there bool, err error) {
	k, err := registry.OpenKey(registry.CURRENT_USER, key, registry.QUERY_VALUE)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	return true, k.Close()
}

func removeUserKey(key string) error { return registry.DeleteKey(registry.CURRENT_USER, key) }
