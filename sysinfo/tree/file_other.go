//go:build !linux

package tree

import (
	"errors"
	"io"
	"os"
)

var ErrNoData = errors.New("no data")

// File is a kept descriptor of a recorded machine's file.
type File struct{ f *os.File }

// Open opens a file that is read again and again.
func Open(path string) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	return &File{f}, nil
}

// Read fills buf from the file's start and returns how much there was.
func (f *File) Read(buf []byte) (int, error) {
	n, err := f.f.ReadAt(buf, 0)
	if err == io.EOF {
		err = nil
	}
	return n, err
}

// ReadAll is read where files do not come in pieces.
func (f *File) ReadAll(buf []byte) (int, error) { return f.Read(buf) }

// Prompt is of use on Linux only.
func (f *File) Prompt() {}

// Scarce is never so.
func (f *File) Scarce() bool { return false }

// NoDescriptor is never so.
func NoDescriptor(error) bool { return false }

// Kernels is never so.
func (f *File) Kernels() bool { return false }

// Close gives the descriptor back; a nil file has none.
func (f *File) Close() {
	if f != nil {
		f.f.Close()
	}
}
