package selection

import (
	"testing"
	"time"
)

// A filter's times and values are typed by hand: they are refused or mean one moment that
// is the same each time they are read.
func FuzzFilter(f *testing.F) {
	f.Add("yesterday", "2h30m", "game=Copper*")
	f.Add("2026-03-01", "15:04", "=")
	f.Add("2026-03-01T10:00:00+14:00", "-9223372036854775808ns", "a=b=c")
	now := time.Date(2026, 3, 29, 2, 30, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, since, until, tag string) {
		flags := Filter{Since: since, Until: until, Tag: []string{tag}}
		a, err := flags.Parse(now)
		if err != nil {
			if err.Error() == "" {
				t.Error("refused without a word")
			}
			return
		}
		b, err := flags.Parse(now)
		if err != nil || !a.Since.Equal(b.Since) || !a.Until.Equal(b.Until) || len(a.Tags) != len(b.Tags) {
			t.Errorf("%+v and %+v, %v", a, b, err)
		}
		if since == "" && !a.Since.IsZero() {
			t.Errorf("no word is %s", a.Since)
		}
	})
}
