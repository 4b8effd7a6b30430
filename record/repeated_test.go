package record_test

import (
	"maps"
	"testing"
	"time"

	"capd.example/record"
)

// A pass that does not count was repeated by a later one that does, of its number, cell and campaign.
func TestRepeated(t *testing.T) {
	pass := func(id string, minute int, v record.Verdict, number, game, campaign string) record.Pass {
		return record.Pass{ID: id, Verdict: v, StartedAt: time.Date(2026, 3, 1, 12, minute, 0, 0, time.UTC), Tags: record.Tags{
			record.TagGame: {Value: game}, record.TagPass: {Value: number}, record.TagCampaign: {Value: campaign}}}
	}
	list := []record.Pass{
		pass("again", 1, record.VerdictBad, "1", "Salt Flats", "c"),
		pass("before", 9, record.VerdictBad, "1", "Salt Flats", "c"), // the good one came earlier
		pass("good", 5, record.Clean, "1", "Salt Flats", "c"),
		pass("other number", 1, record.VerdictBad, "2", "Salt Flats", "c"),
		pass("other game", 1, record.VerdictBad, "1", "Copper Drift", "c"),
		pass("other campaign", 1, record.VerdictBad, "1", "Salt Flats", "d"),
		pass("no number", 1, record.VerdictBad, "", "Salt Flats", "c"),
		pass("number lacks", 6, record.Clean, "", "Salt Flats", "c"),
		pass("no game", 1, record.VerdictBad, "1", "", "c"),
		pass("game lacks", 6, record.Clean, "1", "", "c"),
		pass("unjudged", 1, "", "1", "Salt Flats", "c"),
		pass("doubtful", 2, record.VerdictDoubtful, "1", "Salt Flats", "c"),
	}
	got := record.Repeated(list, func(v record.Verdict) bool { return v == record.Clean })
	if want := map[string]string{"again": "good", "doubtful": "good"}; !maps.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got = record.Repeated(list, func(v record.Verdict) bool { return v != record.VerdictBad }); got["again"] != "good" &&
		got["again"] != "doubtful" || got["doubtful"] != "" {
		t.Errorf("%v where doubtful ones count", got)
	}
}
