package agent

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"

	"capd.example/store"
)

func TestBacklogIsTold(t *testing.T) {
	var b backlog
	now := time.Unix(1000, 0)
	var said []string
	for waiting := 240; waiting >= 0; waiting-- {
		now = now.Add(time.Second)
		if text := b.next(waiting, time.Second, now); text != "" {
			said = append(said, text)
		}
	}
	if len(said) != 24 || said[0] != "240 logs to go, about 4 minutes" || said[23] != "10 logs to go, about 10 seconds" {
		t.Errorf("%d lines: %q", len(said), said)
	}
	if b.taken != 0 {
		t.Error("what is over is not forgotten")
	}
	for waiting := 4; waiting >= 0; waiting-- {
		if text := b.next(waiting, time.Second, now); text != "" {
			t.Errorf("a few logs are told: %s", text)
		}
	}
	for d, want := range map[time.Duration]string{time.Second: "10 seconds", 70 * time.Second: "1 minute", 80 * time.Second: "2 minutes", 3 * time.Hour: "3.0 hours"} {
		if got := roughly(d); got != want {
			t.Errorf("%v is %s, want %s", d, got, want)
		}
	}
}

// Where logs queue, or come one after the other, the validators' process is kept; it ends once
// the last one is done.
func TestValidatorsAreKeptWhileLogsCome(t *testing.T) {
	blank, dir := blankStore(t), memoryDir(t)
	defer os.RemoveAll(dir)
	w := newSimulated(dir, blank, 1)
	synctest.Test(t, func(t *testing.T) {
		w.opens()
		defer w.ends()
		given := func() int { w.mu.Lock(); defer w.mu.Unlock(); return w.givenBack }
		stored := func() int {
			list, err := w.hand.Passes(t.Context(), store.Filter{})
			w.must(err)
			return len(list)
		}
		for i := range 12 { // at once, then one by one
			name := fmt.Sprint(i, ".csv")
			w.put(&logFile{path: filepath.Join(w.watch, name), text: w.recorded(), name: name}, fsnotify.Create, fsnotify.Write)
			if i >= 5 {
				w.pass(1500 * time.Millisecond)
			}
		}
		w.pass(time.Duration(w.config.Files.QuietS * float64(time.Second)))
		if n := stored(); n < 11 || given() > 0 {
			t.Errorf("%d of 12 logs are judged, the validators were ended %d times", n, given())
		}
		w.pass(time.Minute)
		if n := stored(); n != 12 || given() != 1 {
			t.Errorf("%d of 12 logs are judged, the validators were ended %d times after them", n, given())
		}
	})
	for _, text := range w.wrong {
		t.Error(text)
	}
}
