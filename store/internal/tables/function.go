package tables

import (
	"database/sql/driver"
	"encoding/json"
	"fmt"
	"math"

	"modernc.org/sqlite"

	"capd.example/store/internal/sqlbase"
)

// The views frames and telemetry rest on these two functions. They are registered with
// the driver once, since a driver's functions must be known before a connection opens.
func init() {
	sqlite.MustRegisterDeterministicScalarFunction("capd_frames", 1,
		func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
			return framesJSON(args[0])
		})
	sqlite.MustRegisterDeterministicScalarFunction("capd_telemetry", 1,
		func(_ *sqlite.FunctionContext, args []driver.Value) (driver.Value, error) {
			return telemetryJSON(args[0])
		})
}

func framesJSON(arg driver.Value) (driver.Value, error) {
	blob, ok := arg.([]byte)
	if !ok {
		return "[]", nil
	}
	f, err := DecodeFrames(blob)
	if err != nil {
		return nil, err
	}
	list := make([]any, len(f.MS))
	for i, x := range f.MS {
		list[i] = jsonNumber(x)
	}
	return jsonText(list)
}

func telemetryJSON(arg driver.Value) (driver.Value, error) {
	blob, ok := arg.([]byte)
	if !ok {
		return "[]", nil
	}
	t, err := DecodeTelemetry(blob)
	if err != nil {
		return nil, err
	}
	var list [][4]any
	for _, s := range t.Series {
		for i, v := range s.Values {
			if i < len(t.At) {
				list = append(list, [4]any{s.Name, s.Unit, sqlbase.Stamp(t.At[i]), jsonNumber(v)})
			}
		}
	}
	return jsonText(list)
}

// jsonNumber maps what is not a number to null.
func jsonNumber(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return x
}

func jsonText(v any) (driver.Value, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, fmt.Errorf("write as JSON: %w", err)
	}
	return string(text), nil
}
