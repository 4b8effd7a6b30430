//go:build !linux

package notify

// alive is not known here: the child of a late command is ended on Linux only.
func alive(int) bool { return false }
