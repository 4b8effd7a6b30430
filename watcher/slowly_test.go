package watcher

import (
	"os"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

func TestWrittenSlowly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		for range 60 {
			l.appendTo(f, "10.0\n")
			l.pass(time.Second)
		}
		l.wantNothing()
		f.Close()
		l.pass(2 * time.Second)
		if got := l.want("a.csv"); got.Size != 300 {
			t.Errorf("%d bytes, want 300", got.Size)
		}
	})
}

// A logger that opens, appends and closes for every line never has a writer between two
// lines; only the quiet time tells.
func TestOpenedForEveryLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		for range 30 {
			f := l.open("a.csv", os.O_CREATE|os.O_WRONLY|os.O_APPEND)
			l.appendTo(f, "10.0\n")
			f.Close()
			l.pass(1900 * time.Millisecond)
			l.wantNothing()
		}
		l.pass(200 * time.Millisecond)
		l.want("a.csv")
	})
}

// A thousand writes before anybody looks are one look.
func TestManyWritesAreOneLook(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		p := l.played("a.csv", text)
		for range 1000 {
			l.event(p, fsnotify.Write)
		}
		l.pass(3 * time.Second)
		l.want("a.csv")
		l.wantNothing()
	})
}

// The probe gives its lease back before the logger can notice.
func TestProbeDisturbsNoLogger(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("on Windows a probe may make an open fail in that instant, which is why it waits for the quiet time")
	}
	path := t.TempDir() + "/a.csv"
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	stop, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-stop:
				return
			default:
				probeWriter(path)
			}
		}
	}()
	for range 2000 {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString("10.0\n"); err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	close(stop)
	<-ended
	if info, err := os.Stat(path); err != nil || info.Size() != 10000 {
		t.Fatalf("the log has %d bytes, want 10000 (%v)", info.Size(), err)
	}
}
