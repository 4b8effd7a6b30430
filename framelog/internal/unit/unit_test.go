package unit

import "testing"

func TestUnitsOfHeadings(t *testing.T) {
	for heading, want := range map[string]Unit{
		"took_ms": Millis, "tookMs": Millis, "Zeit (s)": Seconds, "Dauer [µs]": Micros, "at (Nanoseconds)": Nanos, "frame time": None, "": None,
		"load %": Other, "held_mb": Other, "clock_mhz": Other, "ms": Millis, "Bildzeit (ms)": Millis,
		"TOOK_US": Micros, "stamps": None, "items": None,
	} {
		if got := Of(heading); got != want {
			t.Errorf("%q states %v, want %v", heading, got, want)
		}
	}
}
