//go:build !windows

package cardusers

// openWindowsCardUse is never called here.
func openWindowsCardUse(*Table) {}
