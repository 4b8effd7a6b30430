package watcher

import (
	"testing"
	"testing/synctest"
	"time"
)

func TestCatchesUp(t *testing.T) {
	tests := []struct {
		name     string
		existing bool
		known    string
		want     []string
	}{
		{"everything", true, "", []string{"a.csv", "b.csv"}},
		{"all but the known", true, "a.csv", []string{"b.csv"}},
		{"nothing", false, "", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := newLab(t, t.TempDir(), func(o *Options) {
					o.Existing = tt.existing
					o.Known = func(f File) bool { return f.Rel == tt.known && f.Size > 0 && !f.ModTime.IsZero() }
				})
				l.put("a.csv", text)
				l.put("b.csv", text)
				l.run()
				l.pass(2 * time.Second)
				for _, name := range tt.want {
					l.want(name)
				}
				l.wantNothing()
				l.played("a.csv", text+text) // a change is news in any case
				l.played("new.csv", text)
				l.pass(3 * time.Second)
				if got := l.want("a.csv"); !got.Again {
					t.Error("a known log that changed does not say so")
				}
				l.want("new.csv")
			})
		})
	}
}
