package host

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"github.com/rs/zerolog"
)

// Examined is a program of the validators' folder.
type Examined struct {
	File    string
	Pinned  bool
	Refused error // why it would not be started; nil where it would
}

// Examine says of every file of the validators' folder whether it would be started, and
// starts none. An error is about the folder, or about a pin that has no file.
func Examine(o Options) (list []Examined, err error) {
	o.Logger = zerolog.Nop()
	sources, err := find(o)
	if err != nil {
		return nil, err
	}
	for _, s := range sources {
		refused := s.refused
		if refused == nil {
			refused = s.verify()
		}
		if refused == nil {
			refused = executable(s.argv[0])
		}
		list = append(list, Examined{File: s.name, Pinned: true, Refused: refused})
	}
	entries, err := os.ReadDir(o.Folder)
	for _, e := range entries {
		if _, pinned := pinOf(o.Pinned, e.Name()); !pinned && !e.IsDir() {
			list = append(list, Examined{File: e.Name()})
		}
	}
	return list, err
}

// executable reports why a file is no program here.
func executable(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if runtime.GOOS != "windows" && info.Mode()&0o111 == 0 {
		return &NotExecutable{path}
	}
	return nil
}

// NotExecutable says that a validator lacks the right to be run.
type NotExecutable struct{ Path string }

func (e *NotExecutable) Error() string {
	return filepath.Base(e.Path) + " cannot be started: it is not executable"
}

// Changed says that a validator is not the one that was pinned.
type Changed struct {
	File, SHA256 string // as it is now
	pinned       string
}

func (e *Changed) Error() string {
	return fmt.Sprintf("%s was not started: its SHA-256 is %s, pinned is %s; pin the new one if you changed the file", e.File, e.SHA256, e.pinned)
}
