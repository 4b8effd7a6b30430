package listing

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"capd.example/record"
)

// Passes of one second, as where a folder of logs was copied, are listed by cell, number
// and log, in whatever order they come.
func TestPassesOfOneSecondHaveAnOrder(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	pass := func(id, game, number, log string, after time.Duration) record.Pass {
		return record.Pass{ID: id, Log: log, StartedAt: at.Add(after), Tags: record.Tags{record.TagGame: {Value: game}, record.TagPass: {Value: number}}}
	}
	want := []record.Pass{
		pass("a", "Salt Flats", "9", "z.csv", -time.Second),
		pass("b", "Copper Drift", "2", "y.csv", 900*time.Millisecond),
		pass("c", "Copper Drift", "10", "x.csv", 0),
		pass("d", "Copper Drift", "10", "y.csv", 0),
		pass("e", "Nimbus Drift", "1", "a.csv", 100*time.Millisecond),
		pass("f", "Copper Drift", "1", "b.csv", time.Second),
	}
	r := rand.New(rand.NewPCG(1, 1))
	for range 50 {
		got := slices.Clone(want)
		r.Shuffle(len(got), func(i, j int) { got[i], got[j] = got[j], got[i] })
		slices.SortStableFunc(got, ByTime)
		for i := range got {
			if got[i].ID != want[i].ID {
				t.Fatalf("%s stands at %d in the place of %s", got[i].ID, i, want[i].ID)
			}
		}
	}
}
