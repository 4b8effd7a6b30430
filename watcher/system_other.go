//go:build !linux && !windows

package watcher

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

const limitHint = "raise the number of open files to have events again"

// probeWriter cannot tell here; the longer quiet time decides.
func probeWriter(path string) Writer {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrPermission) {
		return WriterRefused
	}
	if err == nil {
		f.Close()
	}
	return WriterUnknown
}

func remote(string) bool { return false }

func noRoom(err error) bool { return errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE) }

func fileID(string, fs.FileInfo) string { return "" }

// marksOf: only Windows has such.
func marksOf(string, fs.FileInfo) (attributes, tag uint32) { return 0, 0 }

// longName: only Windows has short ones.
func longName(path string) string { return path }
