package notify

import (
	"path"
	"slices"

	"capd.example/record"
)

// Rule says which alerts a channel wants. Each empty list means all.
type Rule struct {
	Verdicts  []record.Verdict // of passes; alerts about anything else always pass
	Benches   []string         // glob patterns
	Campaigns []string         // glob patterns; an alert about no campaign passes none but "*"
}

// Wants reports whether the rule lets the alert pass. A test always does.
func (r Rule) Wants(a Alert) bool {
	if a.Kind == Test {
		return true
	}
	return r.wantsVerdict(a) && matches(r.Benches, a.Bench) && matches(r.Campaigns, campaign(a))
}

func (r Rule) wantsVerdict(a Alert) bool {
	if a.Kind == GoodPass {
		return slices.Contains(r.Verdicts, record.Clean)
	}
	verdicts := map[Kind][]record.Verdict{
		BadPass: {record.VerdictBad}, DoubtfulPass: {record.VerdictDoubtful}, UnverifiedPass: {record.Unverified},
	}[a.Kind]
	if a.Kind == OtherVerdict && a.Pass != nil { // whoever heard of the one hears of the other
		verdicts = []record.Verdict{a.Was, a.Pass.Verdict}
	}
	if verdicts == nil || len(r.Verdicts) == 0 {
		return true
	}
	for _, v := range verdicts {
		if slices.Contains(r.Verdicts, v) {
			return true
		}
	}
	return false
}

func campaign(a Alert) string {
	if a.Pass == nil {
		return ""
	}
	return a.Pass.Tags.Value(record.TagCampaign)
}

func matches(patterns []string, s string) bool {
	if len(patterns) == 0 {
		return true
	}
	for _, p := range patterns {
		if ok, err := path.Match(p, s); err == nil && ok {
			return true
		}
	}
	return false
}
