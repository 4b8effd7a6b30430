package pipeline

import (
	"fmt"
	"strings"

	"capd.example/record"
)

// AssertionsCheck is the name of the finding about what the reviewer asserts of the bench.
const AssertionsCheck = "assertions"

// assertions is the finding about what the reviewer asserts of the bench; ok is false
// where nothing is asserted. It needs no process of its own: both sides are facts.
func assertions(p record.Pass, s record.System, must map[string]string) (f record.Finding, ok bool) {
	if len(must) == 0 {
		return record.Finding{}, false
	}
	if p.SystemLater() {
		return record.Finding{Check: AssertionsCheck, Version: "1", Outcome: record.NotChecked,
			Reason: "the agent was not running during this pass, so the bench's state is unknown"}, true
	}
	f = record.Finding{Check: AssertionsCheck, Version: "1", Outcome: record.OK,
		Reason:  fmt.Sprintf("the bench has the %d values that [system.must] demands", len(must)),
		Numbers: map[string]float64{"asserted": float64(len(must))}}
	var wrong []string
	for _, v := range record.Violations(s, must) {
		is := v.Is.Value
		if v.Is.Unknown != "" {
			is = "unknown (" + string(v.Is.Unknown) + ")"
		}
		wrong = append(wrong, fmt.Sprintf("%s must be %q and is %s", v.Name, v.Must, strings.TrimSpace(is+" "+v.Is.Unit)))
	}
	f.Numbers["violated"] = float64(len(wrong))
	if len(wrong) > 0 {
		f.Outcome, f.Reason = record.Bad, strings.Join(wrong, "; ")
		f.Advice = "set the bench up as [system.must] demands and repeat the pass, or correct it in the configuration"
	}
	return f, true
}
