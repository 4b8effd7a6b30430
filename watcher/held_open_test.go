package watcher

import (
	"os"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

func needProbe(t *testing.T) {
	if runtime.GOOS != "linux" && runtime.GOOS != "windows" {
		t.Skip("this system cannot tell whether a writer is left")
	}
}

// A logger that buffers is silent for long with the log open; closing sends no event.
func TestHeldOpenThenClosed(t *testing.T) {
	needProbe(t)
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		l.appendTo(f, text)
		l.pass(90 * time.Second)
		l.wantNothing()
		f.Close()
		l.pass(time.Second)
		if got := l.want("a.csv"); got.Writer != WriterNone || got.Forced {
			t.Errorf("got writer %v, forced %v", got.Writer, got.Forced)
		}
	})
}

func TestHeldOpenAtTheLatestTime(t *testing.T) {
	needProbe(t)
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir(), func(o *Options) { o.Latest = time.Minute })
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		l.appendTo(f, text)
		l.pass(time.Minute - time.Second)
		l.wantNothing()
		l.pass(time.Second)
		if got := l.want("a.csv"); got.Writer != WriterOpen || !got.Forced {
			t.Errorf("got writer %v, forced %v", got.Writer, got.Forced)
		}
		l.appendTo(f, text) // it was not finished after all
		f.Close()
		l.pass(3 * time.Second)
		if got := l.want("a.csv"); !got.Again || got.Forced || got.Size != int64(2*len(text)) {
			t.Errorf("got %+v", got)
		}
	})
}

// A reader, such as an indexer, holds nothing up.
func TestReaderIsNoWriter(t *testing.T) {
	needProbe(t)
	path := t.TempDir() + "/a.csv"
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got := probeWriter(path); got != WriterNone {
		t.Errorf("with a reader: %v", got)
	}
	w, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := probeWriter(path); got != WriterOpen {
		t.Errorf("with a writer: %v", got)
	}
	w.Close()
	if got := probeWriter(path); got != WriterNone {
		t.Errorf("after the writer: %v", got)
	}
}
