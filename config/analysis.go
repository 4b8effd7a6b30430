package config

// Analysis holds the thresholds behind conclusions of capctl. Whether passes agree is
// judged by the parameters of the check "agreement".
type Analysis struct {
	TiePercent  float64 `toml:"tie_percent" comment:"a difference that is shown to be smaller is a tie"`
	Confidence  float64 `toml:"confidence" comment:"of intervals"`
	Alpha       float64 `toml:"alpha" comment:"level of the tests behind faster, slower and tie"`
	MinDF       float64 `toml:"min_df" comment:"degrees of freedom below which spreads are not pooled"`
	Homogeneity float64 `toml:"homogeneity" comment:"level at which spreads count as too different to be pooled"`

	SessionSDPercent float64 `toml:"session_sd_percent" comment:"standard deviation of what a rebuild, a restart or another day shifts rates by, in % of the rate, used where it was not measured; 0 for unknown"`
}

func defaultAnalysis() Analysis {
	return Analysis{TiePercent: 1, Confidence: 0.95, Alpha: 0.05, MinDF: 6, Homogeneity: 0.01}
}

// check returns the first threshold that makes no sense, by its key.
func (a Analysis) check(w *wrong) {
	for _, q := range []struct {
		key     string
		v       float64
		low, up float64
	}{
		{"tie_percent", a.TiePercent, 0, 100}, {"confidence", a.Confidence, 0, 1}, {"alpha", a.Alpha, 0, 1},
		{"min_df", a.MinDF, 0, 1e6}, {"homogeneity", a.Homogeneity, 0, 1},
	} {
		w.where(!(q.v > q.low && q.v < q.up), "analysis."+q.key, "is out of its range")
	}
	w.where(!(a.SessionSDPercent >= 0 && a.SessionSDPercent < 100), "analysis.session_sd_percent",
		"is not between 0 and 100")
}
