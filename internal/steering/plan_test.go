package steering

import (
	"testing"
)

func TestWhatIsLeft(t *testing.T) {
	for _, x := range []struct {
		minutes float64
		want    string
	}{
		{0, "0 min with all changes"}, {0.5, "30 s with all changes"}, {2, "2 min with all changes"}, {59.4, "59 min with all changes"},
		{59.6, "1:00 h with all changes"}, {479, "7:59 h with all changes"}, {480, "8:00 h with all changes; 1.0 days of 8 hours"},
		{3431, "57:11 h with all changes; 7.1 days of 8 hours"},
	} {
		if got := remaining(x.minutes, 8); got != x.want {
			t.Errorf("%g minutes: %s, want %s", x.minutes, got, x.want)
		}
	}
}
