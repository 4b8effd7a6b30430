package plugintest_test

import (
	"testing"

	"capd.example/plugins/completeness"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

// The test of a validator: invented passes, what it must say of each, and how it behaves
// with input that no logger writes.
func Example() {
	_ = func(t *testing.T) { // TestCompleteness
		whole := plugintest.Pass(plugintest.Steady(90, 60, 1), plugintest.Expect(60))
		short := plugintest.Pass(plugintest.Steady(90, 20, 1), plugintest.Expect(60))
		plugintest.Assert(t, plugintest.Check(t, completeness.Validator{}, whole, nil), record.OK)
		plugintest.Assert(t, plugintest.Check(t, completeness.Validator{}, short, nil), record.Bad, "20.0 s")
		plugintest.Conformance(t, completeness.Validator{}, []record.Evidence{short}, []record.Evidence{whole})
	}
}
