package record

import (
	"testing"
	"time"
)

// A note stands until something that stands takes it back.
func TestStanding(t *testing.T) {
	at := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	all := []Note{
		{ID: "a", About: map[string]string{"gpu": "Lumen 60"}, Text: "loud", At: at},
		{ID: "b", About: map[string]string{"game": "Copper Drift"}, Text: "patched", At: at},
		{ID: "c", Undoes: "a"}, {ID: "d", Undoes: "b"}, {ID: "e", Undoes: "d"},
	}
	for n, want := range map[int]string{2: "ab", 3: "b", 4: "", 5: "b"} {
		got := ""
		for _, x := range Standing(all[:n]) {
			got += x.ID
		}
		if got != want {
			t.Errorf("after %d: %q stand, want %q", n, got, want)
		}
	}
}

func TestNoteFits(t *testing.T) {
	cell := map[string]string{"gpu": "Lumen 60", "game": "Copper Drift", "resolution": "1080p"}
	value := func(name string) string { return cell[name] }
	for _, c := range []struct {
		about map[string]string
		want  bool
	}{
		{map[string]string{"gpu": "Lumen 60"}, true},
		{map[string]string{"gpu": "Lumen 60", "game": "Copper Drift"}, true},
		{map[string]string{"gpu": "Lumen 60", "game": "Salt Flats"}, false},
		{map[string]string{"gpu": "Lumen 60", "campaign": "spring"}, false},
		{nil, false},
	} {
		if got := (Note{About: c.about}).Fits(value); got != c.want {
			t.Errorf("%v: %v", c.about, got)
		}
	}
	n := Note{About: map[string]string{"campaign": "spring", "game": "Copper Drift", "gpu": "Lumen 60"}}
	if got := n.Place(); got != "Lumen 60 / Copper Drift / campaign spring" {
		t.Errorf("place %q", got)
	}
}
