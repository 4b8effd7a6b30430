package analysis

import (
	"encoding/json"
	"math"
)

// Number is a figure that may be undefined: NaN, which is null in JSON.
type Number float64

// Undefined is the figure that is not there.
var Undefined = Number(math.NaN())

// Known reports whether n is a finite number.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes null for a number that is not finite.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads null as undefined.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Undefined
		return nil
	}
	return json.Unmarshal(b, (*float64)(n))
}

// Median returns the median of x, undefined for none.
func Median(x []float64) Number {
	if len(x) == 0 {
		return Undefined
	}
	return Number(median(x))
}
