package export

import (
	"encoding/json"
	"math"
	"time"

	"capd.example/record"
	"capd.example/store"
)

// The three tables. Their columns are a promise like that of the views.
var passColumns = []column{
	{"id", text, "short identity, the first digits of sha256"},
	{"sha256", text, "hash of the log's bytes"},
	{"bench", text, "where it was recorded"},
	{"log", text, "path of the log there"},
	{"started_at", moment, ""}, {"ended_at", moment, ""}, {"log_at", moment, "when the log was complete"},
	{"revision", integer, "how often the log grew after it was stored"},
	{"cpu", text, ""}, {"gpu", text, ""}, {"scene", text, ""}, {"resolution", text, ""}, {"preset", text, ""},
	{"driver", text, ""},
	{"verdict", text, ""}, {"overruled", text, "reason where the verdict was set by hand"},
	{"frames", integer, ""}, {"duration_s", number, ""}, {"avg_fps", number, "frames / sum of the frame times"},
	{"median_ms", number, ""}, {"p95_ms", number, ""}, {"p99_ms", number, ""}, {"p999_ms", number, ""},
	{"max_ms", number, ""},
	{"low1_fps", number, "k / sum of the k longest frame times, k = ceil(0.01 n)"},
	{"low01_fps", number, "the same with 0.001"},
	{"low1_time_fps", number, "rate at the frame where the longest have filled 1 % of the time"},
	{"p99_fps", number, "1000 / p99_ms"},
	{"hitches", integer, ""},
	{"decimals", integer, "resolution of the frame times is 10^-decimals ms; -1 for none"},
	{"system", text, "identity of the system"},
	{"tags", text, "JSON object: name to value and origin"},
	{"pass", text, "JSON: everything that is stored about the pass beside its frame times and samples"},
	{"system_fields", text, "JSON array of the detected facts"},
	{"telemetry_more", text,
		"JSON: use of the processor by programs, and what could not be sampled; empty without telemetry"},
}

var frameColumns = []column{
	{"pass", text, "id in passes"}, {"n", integer, "from 1"}, {"ms", number, "frame time, exactly as the log gave it"},
}

var telemetryColumns = []column{
	{"pass", text, "id in passes"}, {"series", text, ""}, {"unit", text, ""}, {"source", text, ""},
	{"n", integer, "sample from 1"}, {"at", moment, ""}, {"value", number, "empty where it could not be read"},
}

// telemetryMore is what of telemetry is not a sample.
type telemetryMore struct {
	Processes []record.ProcessUse `json:"processes,omitempty"`
	Missing   []record.Gap        `json:"missing,omitempty"`
}

func passValues(a store.Arrival) ([]any, error) {
	p, m, t := a.Pass, a.Pass.Metrics, a.Pass.Tags
	tags, err := json.Marshal(t)
	if err != nil {
		return nil, err
	}
	doc, err := json.Marshal(p)
	if err != nil {
		return nil, err
	}
	fields, err := json.Marshal(a.System.Fields)
	if err != nil {
		return nil, err
	}
	var more []byte
	if a.Telemetry != nil {
		if more, err = json.Marshal(telemetryMore{a.Telemetry.Processes, a.Telemetry.Missing}); err != nil {
			return nil, err
		}
	}
	v := t.Value
	return []any{
		p.ID, p.SHA256, p.Bench, p.Log, when(p.StartedAt), when(p.EndedAt), when(p.LogAt), int64(p.Revision),
		v(record.TagProcessor), v(record.TagGraphics), v(record.TagScene), v(record.TagResolution), v(record.TagPreset),
		v(record.TagDriver),
		string(p.Verdict), p.Overruled, int64(m.Frames), m.DurationS, m.AvgFPS, m.MedianMS, m.P95MS, m.P99MS, m.P999MS,
		m.MaxMS,
		m.Low1FPS, m.Low01FPS, m.Low1TimeFPS, m.P99FPS, int64(m.Hitches), int64(a.Frames.Decimals), p.System, string(tags),
		string(doc), string(fields), string(more),
	}, nil
}

func when(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UTC().Truncate(time.Microsecond)
}

func eachFrame(a store.Arrival, put func([]any) error) error {
	for i, ms := range a.Frames.MS {
		if err := put([]any{a.Pass.ID, int64(i + 1), ms}); err != nil {
			return err
		}
	}
	return nil
}

func eachSample(a store.Arrival, put func([]any) error) error {
	if a.Telemetry == nil {
		return nil
	}
	for _, s := range a.Telemetry.Series {
		for i, x := range s.Values {
			var at, value any
			if i < len(a.Telemetry.At) {
				at = when(a.Telemetry.At[i])
			}
			if !math.IsNaN(x) && !math.IsInf(x, 0) {
				value = x
			}
			if err := put([]any{a.Pass.ID, s.Name, s.Unit, s.Source, int64(i + 1), at, value}); err != nil {
				return err
			}
		}
	}
	return nil
}
