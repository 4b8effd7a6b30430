package tables

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"capd.example/record"
)

// FuzzReadColumn looks behind the checksum, which stops almost every change of a whole
// blob: what is read must be written and read again the same, and nothing is invented.
func FuzzReadColumn(f *testing.F) {
	for _, c := range []struct {
		v []float64
		d int
	}{{nil, 0}, {[]float64{1, 2, 4}, 0}, {[]float64{16.667, 16.6, 1e6}, 3}, {[]float64{math.Pi, math.NaN()}, -1}, {[]float64{0, 0, 0}, 1}} {
		f.Add(appendColumn(nil, c.v, c.d))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		values, decimals, rest, err := readColumn(b)
		if err != nil {
			return
		}
		if len(values) > maxEmpty && len(values) > len(b) {
			t.Fatalf("%d values from %d bytes", len(values), len(b))
		}
		again, d, left, err := readColumn(appendColumn(nil, values, decimals))
		if err != nil || d != decimals || len(left) > 0 || len(again) != len(values) || len(rest) > len(b) {
			t.Fatalf("second round: %v, %d decimals, %d left", err, d, len(left))
		}
		for i := range values {
			if math.Float64bits(values[i]) != math.Float64bits(again[i]) {
				t.Fatalf("value %d: %v, then %v", i, values[i], again[i])
			}
		}
	})
}

// FuzzReadTelemetry likewise for the payload of telemetry.
func FuzzReadTelemetry(f *testing.F) {
	at := time.Unix(1700000000, 5).UTC()
	for _, t := range []record.Telemetry{{}, {
		At:        []time.Time{at, at.Add(time.Second)},
		Series:    []record.Series{{Name: "a", Values: []float64{1, math.NaN()}}, {Name: "b", Values: []float64{0.1, 0.2}}},
		Processes: []record.ProcessUse{{Name: "x", From: at, To: at}},
	}} {
		blob, err := EncodeTelemetry(&t)
		if err != nil {
			f.Fatal(err)
		}
		payload, err := Unpack(telemetryVersion, blob)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(payload)
	}
	f.Fuzz(func(t *testing.T, payload []byte) {
		tele, err := readTelemetry(payload)
		if err != nil {
			return
		}
		blob, err := EncodeTelemetry(tele)
		if err != nil {
			t.Fatal(err)
		}
		again, err := DecodeTelemetry(blob)
		if err != nil {
			t.Fatal(err)
		}
		if len(again.Series) != len(tele.Series) || len(again.At) != len(tele.At) {
			t.Fatalf("came back as %+v, was %+v", again, tele)
		}
		for i, s := range tele.Series {
			if len(again.Series[i].Values) != len(s.Values) {
				t.Fatalf("series %d has %d values, had %d", i, len(again.Series[i].Values), len(s.Values))
			}
		}
		if _, err := json.Marshal(tele.Processes); err != nil {
			t.Fatal(err)
		}
	})
}
