package store_test

import (
	"bytes"
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/store"
)

func sameBits(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if math.Float64bits(a[i]) != math.Float64bits(b[i]) {
			return false
		}
	}
	return true
}

func roundTrip(t interface{ Fatalf(string, ...any) }, f record.Frames) []byte {
	blob, err := store.EncodeFrames(f)
	if err != nil {
		t.Fatalf("encode: %v", err)
	}
	back, err := store.DecodeFrames(blob)
	if err != nil {
		t.Fatalf("decode: %v", err)
	}
	if !sameBits(back.MS, f.MS) || back.Decimals != f.Decimals {
		t.Fatalf("came back as %v, want %v", back, f)
	}
	return blob
}

func TestFramesComeBackBitForBit(t *testing.T) {
	for name, f := range map[string]record.Frames{
		"none":           {Decimals: 3},
		"one":            {MS: []float64{16.667}, Decimals: 3},
		"no grid":        {MS: []float64{math.Pi, 1.0 / 3}, Decimals: -1},
		"claims a grid":  {MS: []float64{math.Pi, 1.5}, Decimals: 2},
		"negative zero":  {MS: []float64{math.Copysign(0, -1), 1}, Decimals: 1},
		"not numbers":    {MS: []float64{math.NaN(), math.Inf(1), math.Inf(-1)}, Decimals: 3},
		"huge":           {MS: []float64{1e300, 5e-324, math.MaxFloat64}, Decimals: 0},
		"2^53":           {MS: []float64{1 << 53, 1<<53 - 1, -(1<<53 - 1)}, Decimals: 0},
		"long stall":     {MS: []float64{1.001, 86400000.123, 1.001}, Decimals: 3},
		"negative steps": {MS: []float64{0.1, 0.2, 0.3, 0.1}, Decimals: 1},
	} {
		t.Run(name, func(t *testing.T) { roundTrip(t, f) })
	}
}

func TestFramesRoundTripProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.IntRange(-1, 9).Draw(t, "decimals")
		ms := rapid.SliceOf(rapid.Custom(func(t *rapid.T) float64 {
			if d < 0 {
				return rapid.Float64().Draw(t, "ms")
			}
			return float64(rapid.Int64Range(0, 1<<40).Draw(t, "ticks")) / math.Pow10(d)
		})).Draw(t, "frames")
		roundTrip(t, record.Frames{MS: ms, Decimals: d})
	})
}

// TestBytesPerFrame measures the archive on the recorded passes.
func TestBytesPerFrame(t *testing.T) {
	logs, _ := filepath.Glob(filepath.Join(testlab.Root(), "testdata", "real-passes", "*.csv"))
	total, frames := 0, 0
	for _, log := range logs {
		ms := durations(t, log)
		if ms == nil {
			continue
		}
		for d := range 7 {
			f := record.Frames{MS: ms, Decimals: d}
			if !onGrid(ms, d) {
				continue
			}
			blob := roundTrip(t, f)
			t.Logf("%s: %d frames, %d decimals, %.3f bytes per frame", filepath.Base(log), len(ms), d, float64(len(blob))/float64(len(ms)))
			total, frames = total+len(blob), frames+len(ms)
			break
		}
	}
	if frames == 0 {
		t.Fatal("no recorded pass was read")
	}
	t.Logf("all: %.3f bytes per frame over %d frames", float64(total)/float64(frames), frames)
}

func onGrid(ms []float64, d int) bool {
	for _, x := range ms {
		if math.Round(x*math.Pow10(d))/math.Pow10(d) != x {
			return false
		}
	}
	return true
}

// durations reads the recorded logs just well enough for this test: the last column, as
// milliseconds or as stamps.
func durations(t *testing.T, path string) []float64 {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := strings.TrimPrefix(string(text), "\ufeff")
	if strings.Contains(s, ";") {
		s = strings.ReplaceAll(strings.ReplaceAll(s, ",", "."), ";", ",")
	}
	r := csv.NewReader(strings.NewReader(s))
	r.FieldsPerRecord, r.Comment = -1, '#'
	rows, err := r.ReadAll()
	if err != nil {
		return nil
	}
	var out []float64
	for _, row := range rows {
		if x, err := strconv.ParseFloat(strings.TrimSpace(row[len(row)-1]), 64); err == nil {
			out = append(out, x)
		}
	}
	if len(out) > 1 && out[0] > 1e9 { // stamps in ns
		for i := range len(out) - 1 {
			out[i] = math.Round(out[i+1]-out[i]) / 1e6
		}
		out = out[:len(out)-1]
	}
	return out
}

func TestTelemetryRoundTrip(t *testing.T) {
	want := telemetry(day)
	blob, err := store.EncodeTelemetry(want)
	if err != nil {
		t.Fatal(err)
	}
	got, err := store.DecodeTelemetry(blob)
	if err != nil {
		t.Fatal(err)
	}
	sameTelemetry(t, got, want)
	for i, s := range got.Series {
		if !sameBits(s.Values, want.Series[i].Values) {
			t.Errorf("series %s: %v", s.Name, s.Values)
		}
	}
	empty, err := store.EncodeTelemetry(&record.Telemetry{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.DecodeTelemetry(empty); err != nil {
		t.Error(err)
	}
}

func TestDamagedBlobsAreFound(t *testing.T) {
	blob := roundTrip(t, record.Frames{MS: testlab.Scene{Seed: 1, FPS: 60, Seconds: 2}.Frames(), Decimals: 3})
	for i := range blob {
		bad := bytes.Clone(blob)
		bad[i] ^= 0x10
		if f, err := store.DecodeFrames(bad); err == nil {
			if back, _ := store.EncodeFrames(f); !bytes.Equal(back, blob) {
				t.Fatalf("a change of byte %d went unnoticed", i)
			}
		}
		if _, err := store.DecodeFrames(blob[:i]); err == nil {
			t.Fatalf("%d of %d bytes were read as a whole pass", i, len(blob))
		}
	}
}

// FuzzDecodeFrames: whatever decodes must encode and decode to the same frame times.
func FuzzDecodeFrames(f *testing.F) {
	for _, seed := range []record.Frames{{}, {MS: []float64{1.5, 2.5}, Decimals: 1}, {MS: []float64{math.Pi}, Decimals: -1}} {
		blob, _ := store.EncodeFrames(seed)
		f.Add(blob)
	}
	f.Fuzz(func(t *testing.T, blob []byte) {
		if frames, err := store.DecodeFrames(blob); err == nil {
			roundTrip(t, frames)
		}
	})
}

// FuzzDecodeTelemetry: whatever decodes has as many values as it says and encodes again.
func FuzzDecodeTelemetry(f *testing.F) {
	blob, _ := store.EncodeTelemetry(telemetry(day))
	f.Add(blob)
	f.Fuzz(func(t *testing.T, blob []byte) {
		tele, err := store.DecodeTelemetry(blob)
		if err != nil {
			return
		}
		again, err := store.EncodeTelemetry(tele)
		if err != nil {
			t.Fatalf("decoded but does not encode: %v", err)
		}
		back, err := store.DecodeTelemetry(again)
		if err != nil || len(back.Series) != len(tele.Series) {
			t.Fatalf("second round: %v", err)
		}
	})
}
