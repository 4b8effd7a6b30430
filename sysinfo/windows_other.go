//go:build !windows

package sysinfo

import (
	"context"

	"capd.example/record"
)

func (b *Bench) detectWindows(context.Context, *facts) {}

func (b *Bench) openWindowsSources() ([]source, func() float64, *processTable, []record.Gap) {
	return nil, nil, nil, nil
}
