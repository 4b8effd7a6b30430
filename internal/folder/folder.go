// Package folder writes the files of one output, such as a report, into a folder in which
// other files may lie: never through a link, never over a file that is not the output's
// own, and all at the end or none.
package folder

import (
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path"
	"regexp"
	"slices"
	"strings"
)

// ErrNotOurs is the answer where something else bears the name of a file to be written.
var ErrNotOurs = errors.New("it was not written by this command: move it away, or name another folder")

// Folder is a folder that is being written to. It is not for several goroutines.
type Folder struct {
	dir    string
	ours   func(path string) bool
	roots  map[string]*os.Root // by the path below dir; "." is dir itself
	staged []staged
}

// staged is a file that is complete but bears another name yet.
type staged struct{ folder, name, temporary string }

// Open makes the folder dir where there is none. Ours says which files below it, by path
// with slashes, may be replaced.
func Open(dir string, ours func(path string) bool) (*Folder, error) {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	f := &Folder{dir: dir, ours: ours, roots: map[string]*os.Root{".": root}}
	f.sweep(".")
	return f, nil
}

// Put writes a file under another name, beside the one that [Folder.Commit] gives it.
func (f *Folder) Put(file string, data []byte) error {
	folder, name := path.Split(path.Clean(file))
	root, err := f.sub(path.Clean(folder))
	if err != nil {
		return err
	}
	s := staged{path.Clean(folder), name, fmt.Sprintf(".capd-%s.part", strings.ToLower(rand.Text()))}
	if err := f.free(s); err != nil {
		return err
	}
	out, err := root.OpenFile(s.temporary, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o666)
	if err != nil {
		return err
	}
	f.staged = append(f.staged, s)
	_, err = out.Write(data)
	if e := out.Close(); err == nil {
		err = e
	}
	return err
}

// Commit gives all files their names, the one named first before the others. A file there
// that is ours is replaced, a link never followed.
func (f *Folder) Commit(first string) error {
	for _, s := range f.staged { // nothing is changed where one of them cannot be
		if err := f.free(s); err != nil {
			return err
		}
	}
	for _, wanted := range []bool{true, false} {
		for i := range f.staged {
			s := &f.staged[i]
			if s.temporary == "" || (path.Join(s.folder, s.name) == first) != wanted {
				continue
			}
			if err := f.roots[s.folder].Rename(s.temporary, s.name); err != nil {
				return err
			}
			s.temporary = ""
		}
	}
	return nil
}

// Close removes what was not committed.
func (f *Folder) Close() {
	for _, s := range f.staged {
		if s.temporary != "" {
			f.roots[s.folder].Remove(s.temporary)
		}
	}
	for _, r := range f.roots {
		r.Close()
	}
}

// free refuses a name that something else bears.
func (f *Folder) free(s staged) error {
	file := path.Join(s.folder, s.name)
	info, err := f.roots[s.folder].Lstat(s.name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return fmt.Errorf("%s in %s is no plain file: %w", file, f.dir, ErrNotOurs)
	case !f.ours(file):
		return fmt.Errorf("%s in %s stands in the way: %w", file, f.dir, ErrNotOurs)
	}
	return nil
}

// sub opens a folder below the first and makes it where there is none. It is the folder
// itself that is opened, not one that a link leads to, and stays so whatever takes its name.
func (f *Folder) sub(folder string) (*os.Root, error) {
	if r := f.roots[folder]; r != nil {
		return r, nil
	}
	parent, err := f.sub(path.Dir(folder))
	if err != nil {
		return nil, err
	}
	name := path.Base(folder)
	if err := parent.Mkdir(name, 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	info, err := parent.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		return nil, fmt.Errorf("%s in %s is no folder of its own: %w", folder, f.dir, ErrNotOurs)
	}
	r, err := parent.OpenRoot(name)
	if err != nil {
		return nil, err
	}
	if opened, err := r.Stat("."); err != nil || !os.SameFile(info, opened) {
		r.Close()
		return nil, fmt.Errorf("%s in %s was changed meanwhile: %w", folder, f.dir, ErrNotOurs)
	}
	f.roots[folder] = r
	f.sweep(folder)
	return r, nil
}

// Clear removes the files of an earlier output in a folder that the new one has not written: before
// names them with the SHA-256 of what was written, in hexadecimal. A file that was changed since
// stays, and is told as is what cannot be removed; what says which output it was.
func Clear(dir string, before map[string]string, written map[string]bool, what string,
	notice func(format string, args ...any)) {
	root, err := os.OpenRoot(dir) // no link leads out of it
	if err != nil {
		return
	}
	defer root.Close()
	for _, file := range slices.Sorted(maps.Keys(before)) {
		if written[file] {
			continue
		}
		data, err := root.ReadFile(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil && fmt.Sprintf("%x", sha256.Sum256(data)) != before[file] {
			notice("someone changed %s of the earlier %s; capctl leaves it there", file, what)
			continue
		}
		if err == nil {
			err = root.Remove(file)
		}
		if err != nil {
			notice("%s of the earlier %s is still there: %v", file, what, err)
		}
	}
}

var temporary = regexp.MustCompile(`^\.capd-[a-z0-9]{26}\.part$`)

// sweep removes what a program that was killed left unfinished.
func (f *Folder) sweep(folder string) {
	dir, err := f.roots[folder].Open(".")
	if err != nil {
		return
	}
	defer dir.Close()
	names, err := dir.Readdirnames(-1)
	if err != nil {
		return
	}
	for _, name := range names {
		if info, err := f.roots[folder].Lstat(name); err == nil && temporary.MatchString(name) && info.Mode().IsRegular() {
			f.roots[folder].Remove(name)
		}
	}
}
