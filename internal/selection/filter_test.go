package selection

import (
	"testing"
	"time"
)

func TestMoment(t *testing.T) {
	zone := time.FixedZone("here", 2*3600)
	now := time.Date(2026, 3, 4, 10, 30, 0, 0, zone)
	for text, want := range map[string]time.Time{
		"2026-03-01": time.Date(2026, 3, 1, 0, 0, 0, 0, zone), "2026-03-01 09:08:07": time.Date(2026, 3, 1, 9, 8, 7, 0, zone),
		"2026-03-01T09:08:07Z": time.Date(2026, 3, 1, 9, 8, 7, 0, time.UTC), "9:15": time.Date(2026, 3, 4, 9, 15, 0, 0, zone),
		"23:15": time.Date(2026, 3, 3, 23, 15, 0, 0, zone), "09:15:30": time.Date(2026, 3, 4, 9, 15, 30, 0, zone),
		"yesterday": time.Date(2026, 3, 3, 0, 0, 0, 0, zone), "today": time.Date(2026, 3, 4, 0, 0, 0, 0, zone), "2h": now.Add(-2 * time.Hour),
	} {
		if got, err := Moment("--since", text, now); err != nil || !got.Equal(want) {
			t.Errorf("%s is %v (%v), want %v", text, got, err, want)
		}
	}
	if _, err := Moment("--since", "last week", now); err == nil {
		t.Error("a time that nobody can know is taken")
	}
}
