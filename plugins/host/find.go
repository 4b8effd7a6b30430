package host

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
)

// find lists the programs of the folder. A folder that others can write to is an error,
// because whoever can write to it can have anything run here.
func find(o Options) ([]*source, error) {
	if o.Folder == "" {
		return nil, nil
	}
	folder, err := filepath.EvalSymlinks(o.Folder)
	if err != nil {
		return nil, fmt.Errorf("folder of validators: %w", err)
	}
	if folder, err = filepath.Abs(folder); err != nil {
		return nil, fmt.Errorf("folder of validators: %w", err)
	}
	if err := trusted(folder); err != nil {
		return nil, fmt.Errorf("folder of validators: %w", err)
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, fmt.Errorf("folder of validators: %w", err)
	}
	var out []*source
	seen := map[string]bool{}
	for _, e := range entries {
		seen[fileKey(e.Name())] = true
		if pin, ok := pinOf(o.Pinned, e.Name()); ok {
			out = append(out, newSource(o, filepath.Join(folder, e.Name()), pin))
		} else if !e.IsDir() {
			o.Logger.Info().Str("file", e.Name()).Msg("not started: no checksum is pinned for it (checks.pinned)")
		}
	}
	for name := range o.Pinned {
		if !seen[fileKey(name)] {
			return nil, fmt.Errorf("checks.pinned names %q, which is not in %s", name, folder)
		}
	}
	return out, nil
}

// fileKey is equal for two names of one file.
func fileKey(name string) string {
	if runtime.GOOS == "windows" {
		return strings.ToLower(name)
	}
	return name
}

func pinOf(pinned map[string]string, name string) (pin string, ok bool) {
	for n, pin := range pinned {
		if fileKey(n) == fileKey(name) {
			return pin, true
		}
	}
	return "", false
}

func newSource(o Options, path, pin string) *source {
	name := filepath.Base(path)
	s := &source{name: name, argv: []string{path}, plain: slices.Contains(o.Plain, name), failures: map[string]*failure{}}
	sum, err := hex.DecodeString(pin)
	switch {
	case err != nil || len(sum) != sha256.Size:
		s.refused = fmt.Errorf("%s was not started: its pinned checksum %q is not a SHA-256 in hexadecimal", name, pin)
	case s.plain && runtime.GOOS == "windows":
		s.refused = fmt.Errorf("%s was not started: on Windows validators must speak mutual TLS, because any program of this machine could talk to it", name)
	}
	s.sum = sum
	return s
}

// verify looks at the file once more before it is started.
func (s *source) verify() error {
	if s.sum == nil {
		return nil
	}
	path := s.argv[0]
	if err := trusted(path); err != nil {
		return fmt.Errorf("%s was not started: %w", s.name, err)
	}
	f, err := os.OpenFile(path, os.O_RDONLY|dontWait, 0)
	if err != nil {
		return fmt.Errorf("%s was not started: %w", s.name, err)
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return fmt.Errorf("%s was not started: it is no regular file", s.name)
	}
	hash := sha256.New()
	if _, err := io.Copy(hash, f); err != nil {
		return fmt.Errorf("%s was not started: read it: %w", s.name, err)
	}
	if got := hash.Sum(nil); !bytes.Equal(got, s.sum) {
		return &Changed{File: s.name, SHA256: hex.EncodeToString(got), pinned: hex.EncodeToString(s.sum)}
	}
	return nil
}
