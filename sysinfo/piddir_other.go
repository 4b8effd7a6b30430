//go:build !linux

package sysinfo

import (
	"os"
	"strconv"
)

// pidDir lists the numbers in the /proc of a recorded machine.
type pidDir struct{ path string }

func openPIDDir(path string) (*pidDir, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, err
	}
	return &pidDir{path}, nil
}

func (d *pidDir) list(to []int) ([]int, error) {
	entries, err := os.ReadDir(d.path)
	for _, e := range entries {
		if n, err := strconv.Atoi(e.Name()); err == nil && n > 0 {
			to = append(to, n)
		}
	}
	return to, err
}
