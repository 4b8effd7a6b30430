package agent

import (
	"fmt"
	"testing"

	"capd.example/record"
)

// The agent remembers only the latest passes each, and still counts all.
func TestTallyIsBounded(t *testing.T) {
	var c tally
	for i := range 3 * mostLatest {
		p := record.Pass{ID: fmt.Sprint("p", i), Verdict: record.Clean}
		if i%10 == 0 {
			p.Verdict = record.VerdictBad
		}
		c.add(p)
	}
	if c.passes != 3*mostLatest || len(c.latest) != mostLatest || c.badBefore != 2*mostLatest/10 || c.latest[0].id != fmt.Sprint("p", 2*mostLatest) {
		t.Errorf("%d passes, %d remembered from %v, %d bad before", c.passes, len(c.latest), c.latest[0], c.badBefore)
	}
}
