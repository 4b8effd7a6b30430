package summary

import (
	"capd.example/analysis"
	"capd.example/analysis/variance"
)

// Kind is what a claim is about.
type Kind string

// The kinds.
const (
	Ratio Kind = "ratio" // the rate of A over that of B, less 1, lies between Low and High
	Rate  Kind = "rate"  // the rate of the cell is at least Low
	Wrong Kind = "odd"   // the cell does not fit in with the others
	Bound Kind = "limit" // the part that A names limits the cell more than the other
)

// Claim is what a sentence asserts, in numbers.
type Claim struct {
	Kind   Kind                `json:"kind"`
	Metric string              `json:"metric,omitempty"`
	By     string              `json:"by,omitempty"` // factor of A and B
	A      string              `json:"a,omitempty"`
	B      string              `json:"b,omitempty"`
	Rows   []map[string]string `json:"-"` // the cells whose geometric mean is compared, without By
	Cell   map[string]string   `json:"cell,omitempty"`
	Low    analysis.Number     `json:"low"`
	High   analysis.Number     `json:"high"`

	covers variance.Covers
}

// claim is the interval of a contrast at a level of error.
func claim(c analysis.Contrast, level float64) Claim {
	low, high := c.Careful(level)
	return Claim{Kind: Ratio, Metric: c.Metric, By: c.By, A: c.A, B: c.B, Rows: c.Rows, covers: c.Precision.Covers,
		Low: low, High: high}
}
