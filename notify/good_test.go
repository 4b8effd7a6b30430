package notify

import (
	"testing"
	"time"

	"capd.example/record"
)

// A clean pass is told to those alone that ask for it.
func TestGoodPassesAreToldOnRequest(t *testing.T) {
	p := record.Pass{ID: "1", SHA256: "ab", Verdict: record.Clean, Tags: record.Tags{record.TagGame: {Value: "Copper Drift"}}}
	a, ok := FromGood(p, time.Unix(0, 0))
	if !ok || Line(a) != "GOOD log . of Copper Drift [1] is good -> record the next pass" && Line(a) != "GOOD Copper Drift [1] is good -> record the next pass" {
		t.Errorf("%v %s", ok, Line(a))
	}
	for _, x := range []struct {
		verdicts []record.Verdict
		want     bool
	}{{nil, false}, {[]record.Verdict{record.VerdictBad, record.VerdictDoubtful}, false}, {[]record.Verdict{record.VerdictBad, record.Clean}, true}} {
		if got := (Rule{Verdicts: x.verdicts}).Wants(a); got != x.want {
			t.Errorf("%v: %v", x.verdicts, got)
		}
	}
	if (Rule{Verdicts: []record.Verdict{record.Clean}, Benches: []string{"other"}}).Wants(a) {
		t.Error("another bench's pass is told")
	}
	p.Verdict = record.VerdictBad
	if _, ok := FromGood(p, time.Unix(0, 0)); ok {
		t.Error("a bad pass is good")
	}
}
