//go:build !windows

package sysinfo

// openWindowsCardUse is never called here.
func (b *Bench) openWindowsCardUse(*cardTable) {}
