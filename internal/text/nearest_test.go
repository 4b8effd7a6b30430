package text

import (
	"testing"

	"pgregory.net/rapid"
)

func TestNearest(t *testing.T) {
	known := map[string]bool{"game": true, "gpu": true, "cpu": true, "resolution": true, "preset": true, "scene": true, "pass": true}
	for name, want := range map[string]string{
		"gaem": "game", "gam": "game", "Game": "game", "resolutoin": "resolution", "resolutin": "resolution", "resoluiton2": "resolution",
		"gqu": "gpu", "pas": "pass", "presett": "preset", "cooler": "", "rig": "", "name": "game", "season": "", "x": "",
	} {
		if got := Nearest(name, known); got != want {
			t.Errorf("nearest(%q) = %q, want %q", name, got, want)
		}
	}
}

// The distance is one of equality, the same both ways, and never more than the longer word.
func TestSlips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.StringN(0, 8, -1).Draw(t, "a"), rapid.StringN(0, 8, -1).Draw(t, "b")
		d := slips(a, b)
		if (d == 0) != (string([]rune(a)) == string([]rune(b))) || d != slips(b, a) || d > max(len([]rune(a)), len([]rune(b))) {
			t.Fatalf("slips(%q, %q) = %d, back %d", a, b, d, slips(b, a))
		}
	})
}
