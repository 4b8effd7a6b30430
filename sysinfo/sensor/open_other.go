//go:build !windows

package sensor

import "capd.example/record"

// openWindowsSources is never called here.
func openWindowsSources() ([]Source, func() float64, []record.Gap) { return nil, nil, nil }
