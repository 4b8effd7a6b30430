package record

// Metrics are the figures of one pass. Definitions and their sources stand in package
// metrics; names and meaning of the JSON fields are a promise to users.
type Metrics struct {
	Frames      int     `json:"frames"`
	DurationS   float64 `json:"duration_s"` // sum of the frame times, s
	AvgFPS      float64 `json:"avg_fps"`    // frames / sum of the frame times
	MedianMS    float64 `json:"median_ms"`  // Hyndman-Fan type 7, as all percentiles here
	P95MS       float64 `json:"p95_ms"`
	P99MS       float64 `json:"p99_ms"`
	P999MS      float64 `json:"p999_ms"`
	MaxMS       float64 `json:"max_ms"`
	Low1FPS     float64 `json:"low1_fps"`      // k / sum of the k longest, k = ceil(0.01 n)
	Low01FPS    float64 `json:"low01_fps"`     // the same with 0.001
	Low1TimeFPS float64 `json:"low1_time_fps"` // rate at the frame where the longest have filled 1 % of the time
	P99FPS      float64 `json:"p99_fps"`       // 1000 / p99_ms
	Hitches     int     `json:"hitches"`

	// Low1Sparse and Low01Sparse say that fewer than ten frames lie in the tail, so that
	// the figure rests on very few frames (the limit of ten is a convention).
	Low1Sparse  bool `json:"low1_sparse,omitempty"`
	Low01Sparse bool `json:"low01_sparse,omitempty"`
}
