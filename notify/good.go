package notify

import (
	"strconv"
	"time"

	"capd.example/record"
)

// GoodPass is about a clean pass: the next one can be recorded. Only a channel whose rule
// names the verdict clean is told.
const GoodPass Kind = "good-pass"

// FromGood makes the message about a clean pass; ok is false for any other.
func FromGood(p record.Pass, at time.Time) (a Alert, ok bool) {
	if p.Verdict != record.Clean {
		return Alert{}, false
	}
	return Alert{
		ID: identity(string(GoodPass), p.SHA256, strconv.Itoa(p.Revision)), Kind: GoodPass, At: at.UTC(),
		Bench: p.Bench, Log: p.Log, Pass: &p, Text: PassName(p) + " is good", Advice: "record the next pass",
	}, true
}
