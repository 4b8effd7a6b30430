package watcher

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

var t0 = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func TestDecide(t *testing.T) {
	r := newRules(2*time.Second, 10*time.Minute)
	s := time.Second
	none := time.Duration(-1)
	held := func(size int64) entry { return entry{file: File{Size: size}, writer: WriterOpen} }
	free := func(size int64) entry { return entry{file: File{Size: size}, writer: WriterNone} }
	unsure := func(size int64) entry { return entry{file: File{Size: size}} }
	refused := entry{file: File{Size: 9}, writer: WriterRefused}
	tests := []struct {
		name   string
		e      entry
		probed time.Duration // after the last change; none for not since
		now    time.Duration // after the last change
		want   action
		next   time.Duration // none for no time
	}{
		{"just changed", free(9), none, 0, wait, 2 * s},
		{"a moment before quiet", free(9), none, 2*s - 1, wait, 2 * s},
		{"quiet, not probed", unsure(9), none, 2 * s, probe, 2 * s},
		{"no writer", free(9), 2 * s, 2 * s, take, 2 * s},
		{"held open, just probed", held(9), 2 * s, 2 * s, wait, 3 * s},
		{"held open, a second later", held(9), 2 * s, 3 * s, probe, 3 * s},
		{"held open, latest is near", held(9), 599*s + s/2, 599*s + s/2, wait, 600 * s},
		{"held open at the latest", held(9), 599 * s, 600 * s, force, 600 * s},
		{"held open long after the latest", held(9), 599 * s, 900 * s, force, 900 * s},
		{"cannot tell, quiet", unsure(9), 2 * s, 2 * s, wait, 5 * s},
		{"cannot tell, five seconds, old probe", unsure(9), 2 * s, 5 * s, probe, 5 * s},
		{"cannot tell, five seconds, new probe", unsure(9), 5 * s, 5 * s, take, 5 * s},
		{"empty and held open is never forced", held(0), 899 * s, 900 * s, probe, 900 * s},
		{"empty and held open waits", held(0), 900 * s, 900 * s, wait, 901 * s},
		{"empty and free waits", free(0), 2 * s, 2 * s, wait, 30 * s},
		{"empty and free, old probe", free(0), 2 * s, 30 * s, probe, 30 * s},
		{"empty and free, new probe", free(0), 30 * s, 30 * s, take, 30 * s},
		{"empty, cannot tell", unsure(0), 2 * s, 30 * s, wait, 600 * s},
		{"empty, cannot tell, latest", unsure(0), 600 * s, 600 * s, take, 600 * s},
		{"refused waits", refused, 2 * s, 10 * s, wait, 32 * s},
		{"refused is tried again", refused, 2 * s, 32 * s, probe, 32 * s},
		{"refused is never forced", refused, 899 * s, 900 * s, wait, 929 * s},
		{"handed on", entry{phase: done, file: File{Size: 9}}, none, 900 * s, wait, none},
		{"queued", entry{phase: queued, file: File{Size: 9}}, none, 900 * s, wait, none},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.e.lastChange = t0
			if tt.probed != none {
				tt.e.probedAt = t0.Add(tt.probed)
			}
			got, at := decide(tt.e, t0.Add(tt.now), r)
			want := time.Time{}
			if tt.next != none {
				want = t0.Add(tt.next)
			}
			if got != tt.want || !at.Equal(want) {
				t.Errorf("decide = %v at %v, want %v at %v", got, at, tt.want, want)
			}
		})
	}
}

// Whatever is known: nothing is taken before it was quiet and probed since its last
// change, a held log only at the latest time, and a wait always ends later than now.
func TestDecideHolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seconds := func(name string) time.Duration {
			return time.Duration(rapid.Int64Range(0, int64(20*time.Minute)).Draw(t, name))
		}
		r := newRules(time.Duration(rapid.Int64Range(1, int64(time.Minute)).Draw(t, "quiet")), seconds("latest")+time.Minute)
		e := entry{
			file:       File{Size: rapid.Int64Range(0, 2).Draw(t, "size")},
			writer:     Writer(rapid.IntRange(0, 3).Draw(t, "writer")),
			lastChange: t0,
		}
		now := t0.Add(seconds("now"))
		if rapid.Bool().Draw(t, "probed") {
			e.probedAt = t0.Add(seconds("probedAt"))
		}
		act, at := decide(e, now, r)
		silent := now.Sub(e.lastChange)
		switch {
		case act == wait && !at.After(now):
			t.Fatalf("waits until %v, which is not after %v", at, now)
		case act == wait:
		case silent < r.quiet:
			t.Fatalf("%v after %v of silence", act, silent)
		case act != probe && e.probedAt.IsZero():
			t.Fatalf("%v without a probe", act)
		case act == take && (e.writer == WriterOpen || e.writer == WriterRefused):
			t.Fatalf("taken with writer %v", e.writer)
		case act == take && e.file.Size == 0 && silent < r.empty:
			t.Fatalf("an empty log taken after %v", silent)
		case act == force && (e.writer != WriterOpen || silent < r.latest || e.file.Size == 0):
			t.Fatalf("forced: writer %v after %v, %d bytes", e.writer, silent, e.file.Size)
		}
	})
}
