package tree

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"capd.example/record"
	"github.com/shirou/gopsutil/v3/common"
)

// Tree is a Linux machine below a root folder.
type Tree struct{ root string }

// Live reports whether the machine is this one.
func (t Tree) Live() bool { return t.root == "/" }

// New returns the machine below a folder, "" for this one.
func New(root string) Tree {
	if root == "" {
		root = "/"
	}
	return Tree{root: root}
}

// Largest is more than any file read whole here may hold.
const Largest = 4 << 20

// Path returns where a file of the machine lies.
func (t Tree) Path(name string) string { return filepath.Join(t.root, filepath.FromSlash(name)) }

// Bytes reads a whole file, or says why it cannot be read.
func (t Tree) Bytes(name string) ([]byte, record.Unknown) {
	f, err := os.Open(t.Path(name))
	if err != nil {
		return nil, Reason(err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, Largest))
	if err != nil {
		return nil, Reason(err)
	}
	return data, ""
}

// Text reads a whole file and trims it.
func (t Tree) Text(name string) (string, record.Unknown) {
	data, why := t.Bytes(name)
	return strings.TrimSpace(string(data)), why
}

// Number reads a file that holds one whole number, decimal or after 0x.
func (t Tree) Number(name string) (int64, record.Unknown) {
	s, why := t.Text(name)
	if why != "" {
		return 0, why
	}
	n, err := strconv.ParseInt(s, 0, 64)
	if err != nil {
		return 0, record.Broken
	}
	return n, ""
}

// Glob lists the paths below the root that match, in natural order (2 before 10).
func (t Tree) Glob(pattern string) []string {
	found, _ := filepath.Glob(t.Path(pattern))
	names := make([]string, 0, len(found))
	for _, f := range found {
		if rel, err := filepath.Rel(t.root, f); err == nil {
			names = append(names, "/"+filepath.ToSlash(rel))
		}
	}
	slices.SortFunc(names, Natural)
	return names
}

// Exists reports whether the file or folder is there.
func (t Tree) Exists(name string) bool {
	_, err := os.Stat(t.Path(name))
	return err == nil
}

// Context tells gopsutil where this machine's files lie.
func (t Tree) Context(ctx context.Context) context.Context {
	return context.WithValue(ctx, common.EnvKey, common.EnvMap{
		common.HostProcEnvKey: t.Path("/proc"), common.HostSysEnvKey: t.Path("/sys"),
		common.HostEtcEnvKey: t.Path("/etc"), common.HostVarEnvKey: t.Path("/var"),
		common.HostRunEnvKey: t.Path("/run"), common.HostRootEnvKey: t.root,
	})
}

// Reason says in our words why a file could not be read.
func Reason(err error) record.Unknown {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO),
		errors.Is(err, syscall.ENOTDIR):
		return record.Absent
	case errors.Is(err, fs.ErrPermission):
		return record.Refused
	case errors.Is(err, ErrNoData), errors.Is(err, syscall.ENOTSUP):
		return record.Unsupported
	}
	return record.Broken
}

// Natural orders text with numbers in it by the numbers.
func Natural(a, b string) int {
	for a != "" && b != "" {
		na, nb := digits(a), digits(b)
		if na > 0 && nb > 0 {
			x, y := strings.TrimLeft(a[:na], "0"), strings.TrimLeft(b[:nb], "0")
			if len(x) != len(y) {
				return len(x) - len(y)
			}
			if c := strings.Compare(x, y); c != 0 {
				return c
			}
			a, b = a[na:], b[nb:]
			continue
		}
		if a[0] != b[0] {
			return int(a[0]) - int(b[0])
		}
		a, b = a[1:], b[1:]
	}
	return len(a) - len(b)
}

func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// CPUList counts the processors of a list such as "0-15,32"; it returns their numbers.
// A list that is not one gives nil.
func CPUList(s string) []int {
	var out []int
	for _, part := range strings.Split(strings.TrimSpace(s), ",") {
		first, last, isRange := strings.Cut(part, "-")
		a, err := strconv.Atoi(first)
		if err != nil || a < 0 {
			return nil
		}
		b := a
		if isRange {
			if b, err = strconv.Atoi(last); err != nil {
				return nil
			}
		}
		if b < a || b-a > 1<<16 || len(out) > 1<<16 {
			return nil
		}
		for ; a <= b; a++ {
			out = append(out, a)
		}
	}
	return out
}
