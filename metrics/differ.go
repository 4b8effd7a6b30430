package metrics

import (
	"fmt"
	"math"

	"capd.example/record"
)

// alikeWithin is how far two figures of the same frames may lie apart, relative to the
// larger: another processor may round otherwise in the last digits.
const alikeWithin = 1e-9

// Differ says where the figures that are claimed of some frame times are not those that
// were computed from them, the first place only; "" where they are alike.
func Differ(claimed, computed record.Metrics) string {
	for _, f := range []struct {
		name     string
		is, want float64
	}{
		{"frames", float64(claimed.Frames), float64(computed.Frames)}, {"duration_s", claimed.DurationS, computed.DurationS},
		{"avg_fps", claimed.AvgFPS, computed.AvgFPS},
		{"median_ms", claimed.MedianMS, computed.MedianMS}, {"p95_ms", claimed.P95MS, computed.P95MS},
		{"p99_ms", claimed.P99MS, computed.P99MS},
		{"p999_ms", claimed.P999MS, computed.P999MS}, {"max_ms", claimed.MaxMS, computed.MaxMS},
		{"low1_fps", claimed.Low1FPS, computed.Low1FPS},
		{"low01_fps", claimed.Low01FPS, computed.Low01FPS}, {"low1_time_fps", claimed.Low1TimeFPS, computed.Low1TimeFPS},
		{"p99_fps", claimed.P99FPS, computed.P99FPS},
		{"hitches", float64(claimed.Hitches), float64(computed.Hitches)},
		{"low1_sparse", number(claimed.Low1Sparse), number(computed.Low1Sparse)},
		{"low01_sparse", number(claimed.Low01Sparse), number(computed.Low01Sparse)},
	} {
		if !(math.Abs(f.is-f.want) <= alikeWithin*math.Max(math.Abs(f.is), math.Abs(f.want))) {
			return fmt.Sprintf("%s is %.6g, they give %.6g", f.name, f.is, f.want)
		}
	}
	return ""
}

func number(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
