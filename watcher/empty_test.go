package watcher

import (
	"os"
	"testing"
	"testing/synctest"
	"time"
)

func TestEmptyLogIsHandedOnLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.played("a.csv", "")
		l.pass(29 * time.Second)
		l.wantNothing()
		l.pass(2 * time.Second)
		if got := l.want("a.csv"); got.Size != 0 {
			t.Errorf("%d bytes", got.Size)
		}
	})
}

func TestMadeEmptyThenFilled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		l.played("a.csv", "")
		l.pass(20 * time.Second)
		l.played("a.csv", text)
		l.pass(2 * time.Second)
		l.want("a.csv")
		l.pass(time.Hour)
		l.wantNothing()
	})
}

// A logger that writes everything at the end of a long pass holds an empty log open.
func TestEmptyAndHeldOpenWaits(t *testing.T) {
	needProbe(t)
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		f := l.open("a.csv", os.O_CREATE|os.O_WRONLY)
		l.appendTo(f, "")
		l.pass(time.Hour)
		l.wantNothing()
		l.appendTo(f, text)
		f.Close()
		l.pass(3 * time.Second)
		l.want("a.csv")
	})
}
