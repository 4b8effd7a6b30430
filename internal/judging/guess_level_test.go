package judging

import (
	"strings"
	"testing"

	"capd.example/internal/cli"
	"capd.example/record"
)

// The level comes from the path of somebody's log: a shell that the advice is typed into takes
// it for a value.
func TestALevelInTheAdviceIsNoCommand(t *testing.T) {
	pass := func(id, game string, rate float64) record.Pass {
		return record.Pass{ID: id, Metrics: record.Metrics{AvgFPS: rate, Low1FPS: rate * 0.8},
			Tags: record.Tags{"game": {Value: game, From: record.FromPath}}}
	}
	const hostile = "$(reboot)"
	p := pass("p", "a", 70)
	_, remedy := guess(p, []record.Pass{p, pass("q", "a", 100), pass("r", "a", 100)},
		[]record.Pass{pass("x", hostile, 70), pass("y", hostile, 70)}, []string{"game"}, 0)
	if !strings.Contains(remedy, "capctl tag p game="+cli.Quoted(hostile)+";") || strings.Contains(remedy, `"`+hostile) {
		t.Errorf("the advice is %q", remedy)
	}
}
