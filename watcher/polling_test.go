package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"
)

// On a network share no event comes and no lease is granted: every 2 s a look, 5 s quiet.
func TestNetworkShare(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir(), noEvents, func(o *Options) {
			o.testRemote = func(string) bool { return true }
			o.testProbe = func(string) Writer { return WriterUnknown }
		})
		l.run()
		l.put("a.csv", text)
		l.pass(5 * time.Second)
		l.wantNothing()
		l.pass(2 * time.Second)
		l.want("a.csv")
		f := l.open("b.csv", os.O_CREATE|os.O_WRONLY)
		for range 10 {
			if _, err := f.WriteString("10.0\n"); err != nil {
				t.Fatal(err)
			}
			l.pass(4 * time.Second)
		}
		l.wantNothing()
		l.pass(7 * time.Second)
		if got := l.want("b.csv"); got.Size != 50 {
			t.Errorf("%d bytes", got.Size)
		}
	})
}

func TestPollIsSettable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir(), noEvents, func(o *Options) { o.Poll, o.Quiet = 100*time.Millisecond, 200*time.Millisecond })
		l.run()
		l.put("a.csv", text)
		l.pass(300 * time.Millisecond)
		l.want("a.csv")
	})
}

// While a log is being written nothing walks through the folder.
func TestNoScanWhileALogGrows(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		l.put("unnoticed.csv", text) // without an event only a scan finds it
		for range 300 {
			l.appendTo(f, "10.0\n")
			l.pass(time.Second)
			l.wantNothing()
		}
		f.Close()
		l.pass(2 * time.Second)
		l.want("a.csv")
		l.pass(10 * time.Second)
		l.want("unnoticed.csv")
	})
}
