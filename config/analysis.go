package config

// Analysis holds the thresholds behind conclusions of capctl.
type Analysis struct {
	TiePercent      float64 `toml:"tie_percent" comment:"a difference that is shown to be smaller is a tie"`
	Confidence      float64 `toml:"confidence" comment:"of intervals"`
	Alpha           float64 `toml:"alpha" comment:"level of the tests behind faster, slower and tie"`
	MinDF           float64 `toml:"min_df" comment:"degrees of freedom below which spreads are not pooled"`
	Homogeneity     float64 `toml:"homogeneity" comment:"level at which spreads count as too different to be pooled"`
	Agreement       float64 `toml:"agreement" comment:"probability with which good passes count as agreeing"`
	AvgLimitPercent float64 `toml:"avg_limit_percent" comment:"largest range of averages that agree where there is too little history (a convention)"`
	LowLimitPercent float64 `toml:"low1_limit_percent" comment:"likewise of the 1% lows"`
}

func defaultAnalysis() Analysis {
	return Analysis{TiePercent: 1, Confidence: 0.95, Alpha: 0.05, MinDF: 6, Homogeneity: 0.01, Agreement: 0.9975, AvgLimitPercent: 3, LowLimitPercent: 10}
}

// check returns the first threshold that makes no sense, by its key.
func (a Analysis) check() (key, why string) {
	for _, q := range []struct {
		key     string
		v       float64
		low, up float64
	}{
		{"tie_percent", a.TiePercent, 0, 100}, {"confidence", a.Confidence, 0, 1}, {"alpha", a.Alpha, 0, 1}, {"min_df", a.MinDF, 0, 1e6},
		{"homogeneity", a.Homogeneity, 0, 1}, {"agreement", a.Agreement, 0, 1}, {"avg_limit_percent", a.AvgLimitPercent, 0, 1000},
		{"low1_limit_percent", a.LowLimitPercent, 0, 1000},
	} {
		if !(q.v > q.low && q.v < q.up) {
			return "analysis." + q.key, "is out of its range"
		}
	}
	return "", ""
}
