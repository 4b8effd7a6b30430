package tables

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"capd.example/record"
)

// Version bytes of the encodings. A reader must refuse the ones it does not know.
const (
	framesVersion    = 1
	telemetryVersion = 1
	LogVersion       = 1
)

// EncodeFrames returns frame times as they are stored: the version byte 1, then a zstd
// frame (RFC 8878, with its checksum) around one column: differences of neighbours on
// the log's own grid, zigzag-encoded, split into planes of bytes. Values off the grid are
// kept as IEEE 754 doubles. Decoding gives the same frame times bit for bit.
func EncodeFrames(f record.Frames) ([]byte, error) {
	if len(f.MS) > maxCount {
		return nil, fmt.Errorf("%d frames are more than a pass can have (%d)", len(f.MS), maxCount)
	}
	return Pack(framesVersion, appendColumn(nil, f.MS, f.Decimals))
}

// DecodeFrames reads what [EncodeFrames] wrote; a damaged blob is an error.
func DecodeFrames(blob []byte) (record.Frames, error) {
	payload, err := Unpack(framesVersion, blob)
	if err != nil {
		return record.Frames{}, fmt.Errorf("decode frame times: %w", err)
	}
	ms, decimals, rest, err := readColumn(payload)
	if err == nil && len(rest) > 0 {
		err = errEncoding
	}
	if err != nil {
		return record.Frames{}, fmt.Errorf("decode frame times: %w", err)
	}
	return record.Frames{MS: ms, Decimals: decimals}, nil
}

// telemetryHead is the part of telemetry that is not numbers.
type telemetryHead struct {
	Start     int64               `json:"start"` // ns since 1970 of the first sample
	Series    []seriesHead        `json:"series"`
	Processes []record.ProcessUse `json:"processes,omitempty"`
	Missing   []record.Gap        `json:"missing,omitempty"`
}

type seriesHead struct {
	Name   string `json:"name"`
	Unit   string `json:"unit"`
	Source string `json:"source"`
}

// EncodeTelemetry returns telemetry as it is stored: the version byte 1, then a zstd
// frame around the length of a JSON heading, the heading, a column with the times in ns
// since the first sample, and one column per series. Values that are not a number come
// back as such.
func EncodeTelemetry(t *record.Telemetry) ([]byte, error) {
	head := telemetryHead{Processes: t.Processes, Missing: t.Missing}
	at := make([]float64, len(t.At))
	for i, x := range t.At {
		if i == 0 {
			head.Start = x.UnixNano()
		}
		at[i] = float64(x.UnixNano() - head.Start)
	}
	for _, s := range t.Series {
		head.Series = append(head.Series, seriesHead{s.Name, s.Unit, s.Source})
	}
	for i, p := range head.Processes {
		if math.IsNaN(p.Percent) || math.IsInf(p.Percent, 0) {
			return nil, fmt.Errorf("use of the processor by %s (entry %d) is not a number", p.Name, i)
		}
	}
	text, err := json.Marshal(head)
	if err != nil {
		return nil, err
	}
	payload := binary.AppendUvarint(nil, uint64(len(text)))
	payload = appendColumn(append(payload, text...), at, 0)
	for _, s := range t.Series {
		payload = appendSeries(payload, s.Values)
	}
	return Pack(telemetryVersion, payload)
}

// appendSeries keeps missing samples apart, so that one of them does not push a whole
// series off its grid: first a column of 0 and 1 (empty where all are known), then the
// known values.
func appendSeries(b []byte, values []float64) []byte {
	known, mask, gaps := make([]float64, 0, len(values)), make([]float64, len(values)), false
	for i, v := range values {
		if math.IsNaN(v) {
			mask[i], gaps = 1, true
			continue
		}
		known = append(known, v)
	}
	if !gaps {
		mask = nil
	}
	return appendColumn(appendColumn(b, mask, 0), known, GridOf(known, 6))
}

func readSeries(b []byte) (values []float64, rest []byte, err error) {
	mask, _, b, err := readColumn(b)
	if err != nil {
		return nil, nil, err
	}
	known, _, b, err := readColumn(b)
	if err != nil || len(mask) == 0 {
		return known, b, err
	}
	values = make([]float64, len(mask))
	for i, m := range mask {
		switch {
		case m == 1:
			values[i] = math.NaN()
		case m != 0 || len(known) == 0:
			return nil, nil, errEncoding
		default:
			values[i], known = known[0], known[1:]
		}
	}
	if len(known) > 0 {
		return nil, nil, errEncoding
	}
	return values, b, nil
}

// DecodeTelemetry reads what [EncodeTelemetry] wrote; a damaged blob is an error.
func DecodeTelemetry(blob []byte) (*record.Telemetry, error) {
	payload, err := Unpack(telemetryVersion, blob)
	if err == nil {
		var t *record.Telemetry
		if t, err = readTelemetry(payload); err == nil {
			return t, nil
		}
	}
	return nil, fmt.Errorf("decode telemetry: %w", err)
}

func readTelemetry(b []byte) (*record.Telemetry, error) {
	size, n := binary.Uvarint(b)
	if n <= 0 || size > uint64(len(b)-n) {
		return nil, errEncoding
	}
	var head telemetryHead
	if err := json.Unmarshal(b[n:n+int(size)], &head); err != nil {
		return nil, err
	}
	at, _, b, err := readColumn(b[n+int(size):])
	if err != nil {
		return nil, err
	}
	t := &record.Telemetry{Processes: head.Processes, Missing: head.Missing}
	for _, x := range at {
		if math.IsNaN(x) || math.Abs(x) >= maxTicks {
			return nil, errEncoding
		}
		t.At = append(t.At, time.Unix(0, head.Start+int64(x)).UTC())
	}
	for _, h := range head.Series {
		var values []float64
		if values, b, err = readSeries(b); err != nil {
			return nil, err
		}
		t.Series = append(t.Series, record.Series{Name: h.Name, Unit: h.Unit, Source: h.Source, Values: values})
	}
	if len(b) > 0 {
		return nil, errors.New("something follows the last series")
	}
	return t, nil
}

// SecondsMS returns the mean frame time of each full second of the pass, in ms to four
// decimals. A frame belongs to the second in which it began; a second in which none
// began has the length of the frame that covers it.
func SecondsMS(f record.Frames) []float64 {
	var out []float64
	var at, sum float64
	n := 0
	for _, x := range f.MS {
		if !(x >= 0) || len(out) > maxCount/1024 {
			return nil // no order of time
		}
		sum, n = sum+x, n+1
		at += x
		for end := float64(len(out)+1) * 1000; at >= end && len(out) <= maxCount/1024; end += 1000 {
			if n == 0 {
				out = append(out, round4(x))
				continue
			}
			out = append(out, round4(sum/float64(n)))
			sum, n = 0, 0
		}
	}
	return out
}

func round4(x float64) float64 { return math.Round(x*1e4) / 1e4 }

// StartTemps returns the first known value of each temperature series.
func StartTemps(t *record.Telemetry) map[string]float64 {
	out := map[string]float64{}
	if t == nil {
		return out
	}
	for _, s := range t.Series {
		if !isTemperature(s.Name) {
			continue
		}
		if known := s.Known(); len(known) > 0 {
			out[s.Name] = known[0]
		}
	}
	return out
}

func isTemperature(series string) bool { return strings.Contains(series, ".temp") }
