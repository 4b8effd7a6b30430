package record

// Outcome is what one validator says about one pass.
type Outcome string

// The outcomes, from best to worst in the order of [Outcome.Rank].
const (
	OK         Outcome = "ok"
	NotChecked Outcome = "not-checked" // its input was missing or the validator broke; the reason says which
	Doubtful   Outcome = "doubtful"
	Bad        Outcome = "bad"
)

// Valid reports whether o is one of the four outcomes.
func (o Outcome) Valid() bool {
	switch o {
	case OK, NotChecked, Doubtful, Bad:
		return true
	}
	return false
}

// Finding is one validator's outcome for one pass.
type Finding struct {
	Check   string             `json:"check"`
	Version string             `json:"version,omitempty"` // of the validator
	Outcome Outcome            `json:"outcome"`
	Reason  string             `json:"reason"`            // with the numbers, for people
	Advice  string             `json:"advice,omitempty"`  // what to do next
	Numbers map[string]float64 `json:"numbers,omitempty"` // measured values and the thresholds that were used
	Params  map[string]string  `json:"params,omitempty"`  // parameters that the validator ran with
}

// Verdict is the judgement of a pass: the worst of its findings.
type Verdict string

// The verdicts.
const (
	Clean           Verdict = "clean"
	Unverified      Verdict = "unverified" // a required check could not run
	VerdictDoubtful Verdict = "doubtful"
	VerdictBad      Verdict = "bad"
)

// Valid reports whether v is one of the four verdicts.
func (v Verdict) Valid() bool {
	switch v {
	case Clean, Unverified, VerdictDoubtful, VerdictBad:
		return true
	}
	return false
}

// Judge decides the verdict from the findings: bad if any is bad, else doubtful if any
// is doubtful, else unverified if a required check is missing or was not checked, else
// clean.
func Judge(findings []Finding, required []string) Verdict {
	ran := map[string]bool{}
	doubtful := false
	for _, f := range findings {
		switch f.Outcome {
		case Bad:
			return VerdictBad
		case Doubtful:
			doubtful = true
			ran[f.Check] = true
		case OK:
			ran[f.Check] = true
		}
	}
	if doubtful {
		return VerdictDoubtful
	}
	for _, r := range required {
		if !ran[r] {
			return Unverified
		}
	}
	return Clean
}
