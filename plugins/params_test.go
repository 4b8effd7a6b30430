package plugins_test

import (
	"context"
	"fmt"
	"testing"

	"capd.example/plugins"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

// asking asks for one parameter.
type asking func(plugins.Params) float64

func (asking) Describe() plugins.Description {
	return plugins.Description{Name: "asking", Version: "1", About: "asks", Parameters: []plugins.Parameter{
		{Name: "limit", Type: plugins.Number, Default: "2.5", About: "a limit"},
		{Name: "most", Type: plugins.Integer, Default: "3", About: "a number"},
		{Name: "strict", Type: plugins.Boolean, Default: "true", About: "a choice"},
		{Name: "ignore", Type: plugins.Text, Default: "a.", About: "names"},
	}}
}

func (a asking) Check(_ context.Context, _ record.Evidence, p plugins.Params) record.Finding {
	return record.Finding{Outcome: record.OK, Reason: fmt.Sprint(a(p))}
}

// A misspelt name, or one of another type, is told and not a threshold that never decides.
func TestMisspeltParameter(t *testing.T) {
	pass := plugintest.Pass(plugintest.Steady(60, 2, 1))
	for _, c := range []struct {
		name string
		ask  asking
		want record.Outcome
		says string
	}{
		{"number", func(p plugins.Params) float64 { return p.Number("limit") }, record.OK, "2.5"},
		{"integer", func(p plugins.Params) float64 { return float64(p.Integer("most")) }, record.OK, "3"},
		{"others", func(p plugins.Params) float64 { return float64(len(fmt.Sprint(p.Boolean("strict"), p.Text("ignore")))) }, record.OK, "6"},
		{"misspelt number", func(p plugins.Params) float64 { return p.Number("limits") }, record.NotChecked, `"limits"`},
		{"misspelt integer", func(p plugins.Params) float64 { return float64(p.Integer("mots")) }, record.NotChecked, `"mots"`},
		{"misspelt choice", func(p plugins.Params) float64 { return float64(len(fmt.Sprint(p.Boolean("strickt")))) }, record.NotChecked, `"strickt"`},
		{"misspelt text", func(p plugins.Params) float64 { return float64(len(p.Text("ignored"))) }, record.NotChecked, `"ignored"`},
		{"a whole number asked for as a number", func(p plugins.Params) float64 { return p.Number("most") }, record.NotChecked, `"most"`},
	} {
		t.Run(c.name, func(t *testing.T) { plugintest.Assert(t, plugintest.Check(t, c.ask, pass, nil), c.want, c.says) })
	}
}
