package config

// Store says what is kept beside the figures of a pass, and for how long.
type Store struct {
	KeepLog       bool `toml:"keep_log" comment:"keep every log, compressed, in the store"`
	LogDays       int  `toml:"log_days" comment:"'capctl retain' drops kept logs of passes older than this; 0 keeps them"`
	TelemetryDays int  `toml:"telemetry_days" comment:"'capctl retain' drops the samples of passes older than this; 0 keeps them"`
}

// check returns the first setting that makes no sense, by its key.
func (s Store) check(w *wrong) {
	w.where(s.LogDays < 0, "store.log_days", "%d is negative", s.LogDays)
	w.where(s.TelemetryDays < 0, "store.telemetry_days", "%d is negative", s.TelemetryDays)
}
