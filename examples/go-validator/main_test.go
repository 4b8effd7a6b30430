package main

import (
	"testing"

	"capd.example/plugins/plugintest"
	"capd.example/record"
)

func TestEvenness(t *testing.T) {
	good := plugintest.Pass(plugintest.Steady(90, 20, 1))
	ms := plugintest.Steady(90, 20, 1)
	for i := range ms {
		if i%50 == 0 {
			ms[i] *= 5
		}
	}
	bad := plugintest.Pass(ms)
	plugintest.Conformance(t, evenness{}, []record.Evidence{bad}, []record.Evidence{good})
	plugintest.Assert(t, plugintest.Check(t, evenness{}, bad, nil), record.Doubtful, "5.0 times the median (limit 3)")
	plugintest.Assert(t, plugintest.Check(t, evenness{}, bad, map[string]string{"ratio": "9"}), record.OK)
}
