package watcher

import (
	"os"
	"path/filepath"
	"testing"
)

// TestNames: the kernel tells of names that come, change and go, of the closing that was
// asked for, once, and of nothing that is written.
func TestNames(t *testing.T) {
	dir := t.TempDir()
	n, err := newNames()
	if err != nil {
		t.Fatal(err)
	}
	defer n.Close()
	if err := n.Add(dir); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "a.csv")
	wait := func(want happening) {
		t.Helper()
		if got := <-n.Events(); got != want {
			t.Fatalf("told %+v, want %+v", got, want)
		}
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	wait(happening{path: path})
	if err := n.Await(path); err != nil {
		t.Fatal(err)
	}
	write := func() {
		if _, err := f.WriteString(text); err != nil {
			t.Fatal(err)
		}
	}
	write()
	r, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	r.Close() // a reader is no writer
	f.Close()
	wait(happening{path: path, closed: true})
	if f, err = os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0); err != nil {
		t.Fatal(err)
	}
	write()
	f.Close() // not asked for
	moved := filepath.Join(dir, "b.csv")
	if err := os.Rename(path, moved); err != nil {
		t.Fatal(err)
	}
	wait(happening{path: path})
	wait(happening{path: moved})
	n.Remove(dir)
	if err := n.Add(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(moved); err != nil {
		t.Fatal(err)
	}
	wait(happening{path: moved})
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	wait(happening{path: dir, gone: true})
}

// TestGrowsLive: a logger that writes all the time, on the real system.
func TestGrowsLive(t *testing.T) {
	l := newLab(t, t.TempDir(), live)
	l.start()
	l.until("watching", watching)
	f, err := os.Create(l.path("a.csv"))
	if err != nil {
		t.Fatal(err)
	}
	for range 1500 {
		if _, err := f.WriteString(row); err != nil {
			t.Fatal(err)
		}
	}
	l.until("noticed", func(s State) bool { return s.Pending == 1 })
	l.put("b.csv", text)
	l.await("b.csv") // the other one is held open
	if _, err := f.WriteString(row); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if got := l.await("a.csv"); got.Size != 1501*int64(len(row)) || got.Writer != WriterNone {
		t.Errorf("%d bytes, writer %v", got.Size, got.Writer)
	}
	l.put("c.csv", text)
	l.await("c.csv")
}
