package config

import (
	"math"
	"testing"
)

func TestAnalysisThresholds(t *testing.T) {
	if key, why := defaultAnalysis().check(); key != "" {
		t.Errorf("defaults: %s %s", key, why)
	}
	for want, spoil := range map[string]func(*Analysis){
		"analysis.tie_percent":        func(a *Analysis) { a.TiePercent = 0 },
		"analysis.confidence":         func(a *Analysis) { a.Confidence = 1 },
		"analysis.alpha":              func(a *Analysis) { a.Alpha = math.NaN() },
		"analysis.session_sd_percent": func(a *Analysis) { a.SessionSDPercent = -1 },
		"analysis.min_df":             func(a *Analysis) { a.MinDF = -1 },
	} {
		a := defaultAnalysis()
		spoil(&a)
		if key, _ := a.check(); key != want {
			t.Errorf("%s: got %q", want, key)
		}
	}
}
