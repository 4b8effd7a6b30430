//go:build !linux

package process

import (
	"os"
	"path/filepath"
	"strconv"
	"time"

	"capd.example/sysinfo/tree"
)

// sinceBoot is not needed where there is no /proc.
func sinceBoot() (time.Duration, bool) { return 0, false }

// processTime is known to Linux only.
func processTime(int) (uint64, bool) { return 0, false }

// threadID is needed on Linux only.
func threadID() int { return 0 }

// pidDir lists the numbers in the /proc of a recorded machine.
type pidDir struct{ path string }

func openPIDDir(path string) (*pidDir, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	return &pidDir{path}, nil
}

func (d *pidDir) close() {}

// stat opens the file of that name of a process.
func (d *pidDir) stat(pid int) (*tree.File, error) {
	return tree.Open(filepath.Join(d.path, strconv.Itoa(pid), "stat"))
}

// holds reports whether a process has a file open that fits.
func (d *pidDir) holds(pid int, from int64, fits func(file []byte) bool) (found bool, next int64) {
	_, _ = d.EachFile(pid, from, func(_ int, target []byte) bool {
		found = fits(target)
		return !found
	})
	return found, 0
}

// EachFile visits a process's open files until visit returns false.
func (d *pidDir) EachFile(pid int, _ int64, visit func(fd int, target []byte) bool) (next int64, err error) {
	return 0, eachFileIn(filepath.Join(d.path, strconv.Itoa(pid), "fd"), visit)
}

// Info reads what the kernel tells of an open file of a process.
func (d *pidDir) Info(pid, file int, buf []byte) (int, error) { return infoIn(d.path, pid, file, buf) }

func (d *pidDir) list(to []int) ([]int, error) {
	entries, err := os.ReadDir(d.path)
	for _, e := range entries {
		if n, err := strconv.Atoi(e.Name()); err == nil && n > 0 {
			to = append(to, n)
		}
	}
	return to, err
}
