//go:build !windows

package cli

import "os"

func understands(*os.File) bool { return true }

// Unheld keeps a click into the window from holding the program up, until restore; only
// consoles of Windows do that.
func Unheld() (restore func()) { return func() {} }

func plainFiles() {}
