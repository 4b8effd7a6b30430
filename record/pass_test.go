package record_test

import (
	"testing"
	"time"

	"capd.example/record"
)

// Times that no text of RFC 3339 can hold are none, wherever they stand, in UTC and not in
// the zone that they are written in.
func TestTimesThatAreNoDates(t *testing.T) {
	good := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	west := time.FixedZone("", -23*60*60)
	for _, c := range []struct {
		at    time.Time
		dated bool
	}{
		{good, true}, {time.Time{}, true}, {time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC), true},
		{time.Date(9999, 12, 31, 23, 59, 59, 0, west), false}, {time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), false},
		{time.Date(0, 12, 31, 0, 0, 0, 0, time.UTC), false}, {time.Unix(1<<40, 0), false},
	} {
		for _, p := range []record.Pass{{StartedAt: c.at, EndedAt: good}, {StartedAt: good, EndedAt: c.at}, {StartedAt: good, EndedAt: good, LogAt: c.at}} {
			if p.Dated() != c.dated {
				t.Errorf("from %v to %v, log %v: dated is %v", p.StartedAt, p.EndedAt, p.LogAt, p.Dated())
			}
		}
	}
}
