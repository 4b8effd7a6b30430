package pipeline

import (
	"context"
	"testing"
	"time"

	"capd.example/record"
)

// dated are logs with a time of change each.
type dated struct {
	files
	at map[string]time.Time
}

func (d dated) ReadLog(ctx context.Context, path string) (record.Reading, File, error) {
	r, f, err := d.files.ReadLog(ctx, path)
	f.ModTime = d.at[path]
	return r, f, err
}

// A clock that was set a day back, or a file system that says a time which is no date: each
// log is stored, judged and told about once, and what changed on the bench meanwhile is told.
func TestClocksThatAreWrong(t *testing.T) {
	now := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	for name, second := range map[string]time.Time{"set a day back": now.AddDate(0, 0, -1), "no date": time.Date(12026, 3, 2, 9, 0, 0, 0, time.UTC), "before all dates": time.Unix(-1<<40, 0)} {
		logs := dated{files{"one": {10, 11, 12}, "two": {10, 11, 12, 13}}, map[string]time.Time{"one": now, "two": second}}
		w, b := newWorld(), &oneBench{"Lumen 40"}
		p := around(w, logs.files, b)
		p.Reader = logs
		for _, log := range []string{"one", "two", "two"} {
			if _, isNew, err := p.Carry(t.Context(), Log{Path: log, Notice: now.Add(time.Minute)}); err != nil {
				t.Errorf("%s: %s: new %v, %v", name, log, isNew, err)
			}
			b.card = "Lumen 60"
		}
		if len(w.stored) != 2 || w.changed == 0 {
			t.Errorf("%s: %d passes are stored, changes of the bench told: %d", name, len(w.stored), w.changed)
		}
		for id, s := range w.stored {
			if !s.checked || !s.told || w.told[id] != 1 || !s.arrival.Pass.Dated() {
				t.Errorf("%s: pass %s: checked %v, told %d times, from %v", name, id, s.checked, w.told[id], s.arrival.Pass.StartedAt)
			}
		}
	}
}
