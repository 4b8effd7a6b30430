package process

import "testing"

func TestSameProgram(t *testing.T) {
	for _, c := range []struct {
		running, wanted string
		same            bool
	}{
		{"game", "game.exe", true}, {"Game.exe", `C:\x\game.EXE`, true}, {"game", "game2", false},
		{"averylonggamena", "AVeryLongGameName.exe", true}, {"averylonggamen", "averylonggamename", false},
		{"", "game", false}, {"game", "", false}, {"game", ".exe", false},
	} {
		if got := SameProgram(c.running, c.wanted); got != c.same {
			t.Errorf("%q, %q: %v", c.running, c.wanted, got)
		}
	}
}
