package config

import (
	"math"
	"strings"
	"testing"
)

func TestAnalysisThresholds(t *testing.T) {
	var none wrong
	if defaultAnalysis().check(&none); len(none) > 0 {
		t.Errorf("defaults: %v", none)
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
		var got wrong
		if a.check(&got); len(got) != 1 || !strings.HasPrefix(got[0].Error(), want+": ") {
			t.Errorf("%s: got %v", want, got)
		}
	}
}
