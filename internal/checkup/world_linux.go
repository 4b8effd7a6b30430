package checkup

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"capd.example/config"
)

// system fills in what differs between the systems.
func (w *World) system() {
	w.Linux = true
	w.Free = func(path string) (uint64, error) {
		var s unix.Statfs_t
		if err := unix.Statfs(path, &s); err != nil {
			return 0, err
		}
		return s.Bavail * uint64(s.Bsize), nil
	}
	w.Unsynced = func() bool {
		var t unix.Timex
		_, err := unix.Adjtimex(&t)
		return err == nil && t.Status&unix.STA_UNSYNC != 0
	}
	w.Bus = bus
	w.Others = others
}

// bus reports why no message bus of the desktop can be found (D-Bus specification, "Well-known
// Message Bus Instances"; the second place is systemd's).
func bus() error {
	if os.Getenv("DBUS_SESSION_BUS_ADDRESS") != "" {
		return nil
	}
	path := filepath.Join(os.Getenv("XDG_RUNTIME_DIR"), "bus")
	if _, err := os.Stat(path); err != nil || !filepath.IsAbs(path) {
		return errors.New("there is no message bus of a desktop (DBUS_SESSION_BUS_ADDRESS is not set)")
	}
	return nil
}

// others lists the agents of this user that run, but not this process.
func others() (list []Other) {
	folders, _ := filepath.Glob("/proc/[0-9]*")
	for _, folder := range folders {
		pid, err := strconv.Atoi(filepath.Base(folder))
		if err != nil || pid == os.Getpid() {
			continue
		}
		var st unix.Stat_t
		text, err := os.ReadFile(filepath.Join(folder, "cmdline"))
		if err != nil || unix.Stat(folder, &st) != nil || int(st.Uid) != os.Geteuid() {
			continue
		}
		args := strings.Split(string(bytes.TrimRight(text, "\x00")), "\x00")
		if filepath.Base(args[0]) != "capd" || !slices.Contains(args, "run") {
			continue
		}
		home, err := os.Readlink(filepath.Join(folder, "cwd"))
		if err != nil {
			continue
		}
		if o, err := otherOf(args[1:], home); err == nil {
			o.PID = pid
			list = append(list, o)
		}
	}
	return list
}

// otherOf reads from a command line which folders an agent was given.
func otherOf(args []string, home string) (Other, error) {
	given := func(name string) string {
		for i, a := range args {
			value, is := strings.CutPrefix(a, name+"=")
			if a == name && i+1 < len(args) {
				value, is = args[i+1], true
			}
			if is && !filepath.IsAbs(value) {
				value = filepath.Join(home, value)
			}
			if is {
				return value
			}
		}
		return ""
	}
	c, err := config.Read(given("--config"))
	if err != nil {
		return Other{}, fmt.Errorf("the configuration of another agent: %w", err)
	}
	o := Other{Watch: c.Watch, Data: c.Data}
	if d := given("--data"); d != "" {
		o.Data = d
	}
	if d := given("--watch"); d != "" {
		o.Watch = d
	}
	return o, nil
}
