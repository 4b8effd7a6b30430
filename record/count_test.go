package record_test

import (
	"testing"

	"capd.example/record"
)

func TestCount(t *testing.T) {
	for want, got := range map[string]string{
		"1 pass": record.Count(1, "pass"), "0 passes": record.Count(0, "pass"), "2 hitches": record.Count(2, "hitch"),
		"1 cell": record.Count(1, "cell"), "12 working days": record.Count(12, "working day"), "-1 rows": record.Count(-1, "row"),
	} {
		if got != want {
			t.Errorf("Count = %q, want %q", got, want)
		}
	}
}
