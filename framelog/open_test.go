//go:build unix

package framelog_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"capd.example/framelog"
)

func rowsOf(n int) string {
	var b strings.Builder
	b.WriteString("frame_ms\n")
	for i := range n {
		fmt.Fprintf(&b, "%.3f\n", 10+0.1*float64(i%7))
	}
	return b.String()
}

// What stands under a log's name may have become another thing: opening it neither waits
// for ever nor, where that is asked for, follows a link.
func TestOnlyARegularFileIsRead(t *testing.T) {
	dir := t.TempDir()
	pipe, log, link := filepath.Join(dir, "pipe.csv"), filepath.Join(dir, "log.csv"), filepath.Join(dir, "link.csv")
	must(t, syscall.Mkfifo(pipe, 0o600))
	must(t, os.WriteFile(log, []byte(rowsOf(500)), 0o600))
	must(t, os.Symlink(log, link))
	for _, path := range []string{pipe, dir} {
		if _, _, err := framelog.ReadFile(path, framelog.Options{}); err == nil || framelog.OfTheMoment(err) || !strings.Contains(err.Error(), "no regular file") {
			t.Errorf("%s: %v", path, err)
		}
		if framelog.Begins(path, framelog.Options{}) {
			t.Errorf("%s begins like a log", path)
		}
	}
	if _, _, err := framelog.ReadFile(link, framelog.Options{}); err != nil {
		t.Errorf("a link that was named: %v", err)
	}
	if _, _, err := framelog.ReadFile(link, framelog.Options{NoLink: true}); err == nil || framelog.OfTheMoment(err) || !strings.Contains(err.Error(), "is a link") {
		t.Errorf("a link in a watched folder: %v", err)
	}
}

// Errors of the file system are of the moment; those about what the log holds are not.
func TestErrorsOfTheMoment(t *testing.T) {
	dir := t.TempDir()
	_, _, err := framelog.ReadFile(filepath.Join(dir, "gone.csv"), framelog.Options{})
	if !framelog.OfTheMoment(err) {
		t.Errorf("a file that is not there: %v", err)
	}
	var limit syscall.Rlimit
	must(t, syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limit))
	log := filepath.Join(dir, "log.csv")
	must(t, os.WriteFile(log, []byte(rowsOf(500)), 0o600))
	must(t, syscall.Setrlimit(syscall.RLIMIT_NOFILE, &syscall.Rlimit{Cur: 0, Max: limit.Max}))
	_, _, err = framelog.ReadFile(log, framelog.Options{})
	must(t, syscall.Setrlimit(syscall.RLIMIT_NOFILE, &limit))
	if !framelog.OfTheMoment(err) {
		t.Errorf("no descriptors: %v", err)
	}
	if _, err := framelog.Read("x.csv", []byte("hello\n"), framelog.Options{}); err == nil || framelog.OfTheMoment(err) {
		t.Errorf("no table: %v", err)
	}
	var z bytes.Buffer
	w := gzip.NewWriter(&z)
	fmt.Fprint(w, rowsOf(50000))
	w.Close()
	if _, err := framelog.Read("x.csv.gz", z.Bytes()[:z.Len()/2], framelog.Options{}); err == nil || framelog.OfTheMoment(err) {
		t.Errorf("half a gzip: %v", err)
	}
	// A disk that fails below the unpacking is of the moment all the same.
	if _, err := new(framelog.Reader).ReadStream("x.csv.gz", &failing{data: z.Bytes()[:z.Len()/2]}, framelog.Options{}); !framelog.OfTheMoment(err) {
		t.Errorf("a disk that fails in the middle of a gzip: %v", err)
	}
}

// failing is a file whose disk fails where the data ends.
type failing struct{ data []byte }

func (f *failing) Read(p []byte) (int, error) {
	if len(f.data) == 0 {
		return 0, &fs.PathError{Op: "read", Path: "x", Err: syscall.EIO}
	}
	n := copy(p, f.data)
	f.data = f.data[n:]
	return n, nil
}

func TestBegins(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.log")
	for text, want := range map[string]bool{
		rowsOf(200):                            true,
		strings.TrimSuffix(rowsOf(200), "5\n"): true, // the last row is half written
		strings.Repeat("12:30:01 [info] loaded 15 shaders\nwarning: no sound device\n", 40): false,
		"":                             false,
		"bench: one\nscene: halyard\n": false, // so far a heading alone
	} {
		must(t, os.WriteFile(path, []byte(text), 0o600))
		if got := framelog.Begins(path, framelog.Options{}); got != want {
			t.Errorf("%.40q begins like a log: %v", text, got)
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
