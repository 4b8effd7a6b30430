package wire

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"capd.example/internal/text"
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
		Check: text.Valid(f.Check), Version: text.Valid(f.Version), Outcome: outcomes[f.Outcome],
		Reason: text.Valid(f.Reason), Advice: text.Valid(f.Advice), Numbers: f.Numbers, Params: cleanMap(f.Params),
	}
}

// What a finding may hold at most. It is kept with the pass for ever, and its reason is
// read as one line.
const (
	mostReason  = 2000 // characters of a reason or an advice
	mostNumbers = 200
	mostParams  = 100
	mostName    = 100 // characters of the name of a number or parameter
	mostValue   = 500 // characters of a parameter's value
)

func toFinding(m *pb.Finding) record.Finding {
	return record.Finding{
		Check: m.GetCheck(), Version: m.GetVersion(), Outcome: toOutcome(m.GetOutcome()),
		Reason: m.GetReason(), Advice: m.GetAdvice(), Numbers: m.GetNumbers(), Params: m.GetParams(),
	}
}

// told takes from an answer what a pass can keep and people can be told: text that is fit
// to be read, numbers that have a form in JSON, and not too much of either. What was left
// out is said in the reason. A reason of which nothing could be seen is none.
func told(answer record.Finding) record.Finding {
	f := record.Finding{
		Check: answer.Check, Version: text.Cut(text.Line(answer.Version), mostName), Outcome: answer.Outcome,
		Advice: text.Cut(text.Line(answer.Advice), mostReason),
	}
	numbers, odd := map[string]float64{}, []string{}
	for name, x := range answer.Numbers {
		name = short(name)
		if math.IsNaN(x) || math.IsInf(x, 0) {
			odd = append(odd, name)
			continue
		}
		numbers[name] = x
	}
	slices.Sort(odd)
	var left []string
	if n := len(odd); n > 0 {
		left = append(left, "no finite number was given for "+strings.Join(odd[:min(n, 5)], ", ")+more(n-5))
	}
	if n := bound(numbers, mostNumbers); n > 0 {
		left = append(left, fmt.Sprintf("%d of its numbers were left out, more than %d", n, mostNumbers))
	}
	params := map[string]string{}
	for name, v := range answer.Params {
		params[short(name)] = text.Cut(text.Plain(v), mostValue)
	}
	if n := bound(params, mostParams); n > 0 {
		left = append(left, fmt.Sprintf("%d of its parameters were left out, more than %d", n, mostParams))
	}
	if len(numbers) > 0 {
		f.Numbers = numbers
	}
	if len(params) > 0 {
		f.Params = params
	}
	if !text.Blank(answer.Reason) {
		f.Reason = text.Cut(text.Line(answer.Reason), mostReason)
		if len(left) > 0 {
			f.Reason += " (" + strings.Join(left, "; ") + ")"
		}
	}
	return f
}

func short(name string) string { return text.Cut(text.Line(name), mostName) }

func more(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" and %d more", n)
}

// bound leaves the first so many by name and returns how many went.
func bound[V any](m map[string]V, most int) (gone int) {
	if len(m) <= most {
		return 0
	}
	for _, name := range slices.Sorted(maps.Keys(m))[most:] {
		delete(m, name)
		gone++
	}
	return gone
}

func cleanAll(in []string) []string {
	if in == nil {
		return nil
	}
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = text.Valid(s)
	}
	return out
}

func cleanMap(in map[string]string) map[string]string {
	if in == nil {
		return nil
	}
	out := make(map[string]string, len(in))
	for k, v := range in {
		out[text.Valid(k)] = text.Valid(v)
	}
	return out
}
