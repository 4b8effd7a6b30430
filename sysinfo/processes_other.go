//go:build !windows

package sysinfo

// openWindowsTable is never called here.
func openWindowsTable(func() float64, int) *processTable { return nil }
