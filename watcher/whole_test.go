package watcher

import (
	"testing"
	"testing/synctest"
	"time"
)

func TestWrittenWhole(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLab(t, t.TempDir())
		l.run()
		began := time.Now()
		l.played("game/1080p-high/pass1.csv", text)
		l.pass(2*time.Second - time.Millisecond)
		l.wantNothing()
		l.pass(time.Millisecond)
		got := l.want("game/1080p-high/pass1.csv")
		if got.Size != int64(len(text)) || got.Forced || got.Again {
			t.Errorf("got %+v", got)
		}
		if d := got.CompleteAt.Sub(began); d != 2*time.Second {
			t.Errorf("complete %v after the last byte, want 2s", d)
		}
		l.pass(time.Hour)
		l.wantNothing()
	})
}

func TestWrittenWholeLive(t *testing.T) {
	l := newLab(t, t.TempDir(), live)
	l.start()
	l.until("watching", watching)
	l.put("a.csv", text)
	l.await("a.csv")
	l.put("new/deep/er/b.csv", text)
	l.await("new/deep/er/b.csv")
	l.put("new/deep/er/c.csv", text)
	l.await("new/deep/er/c.csv")
	l.wantNothing()
}
