package wire

import (
	"strings"

	pb "capd.example/proto/validator/v1"
	"capd.example/record"
)

var outcomes = map[record.Outcome]pb.Outcome{
	record.OK:         pb.Outcome_OUTCOME_OK,
	record.NotChecked: pb.Outcome_OUTCOME_NOT_CHECKED,
	record.Doubtful:   pb.Outcome_OUTCOME_DOUBTFUL,
	record.Bad:        pb.Outcome_OUTCOME_BAD,
}

// toOutcome takes an outcome that it does not know for not checked: what a later
// protocol may mean by it cannot be guessed.
func toOutcome(m pb.Outcome) record.Outcome {
	for o, number := range outcomes {
		if number == m {
			return o
		}
	}
	return record.NotChecked
}

// fromFinding makes text fit for the wire, which only carries valid UTF-8.
func fromFinding(f record.Finding) *pb.Finding {
	return &pb.Finding{
		Check: clean(f.Check), Version: clean(f.Version), Outcome: outcomes[f.Outcome],
		Reason: clean(f.Reason), Advice: clean(f.Advice), Numbers: f.Numbers, Params: cleanMap(f.Params),
	}
}

func toFinding(m *pb.Finding) record.Finding {
	return record.Finding{
		Check: m.GetCheck(), Version: m.GetVersion(), Outcome: toOutcome(m.GetOutcome()),
		Reason: m.GetReason(), Advice: m.GetAdvice(), Numbers: m.GetNumbers(), Params: m.GetParams(),
	}
}

func clean(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

func cleanAll(in []string) []string {
	if in == nil {
		return nil
	}
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = clean(s)
	}
	return out
}

func cleanMap(in map[string]string) map[string]string {
	if in == nil {
		return nil
	}
	out := make(map[string]string, len(in))
	for k, v := range in {
		out[clean(k)] = clean(v)
	}
	return out
}
