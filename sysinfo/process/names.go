package process

import (
	"fmt"
	"strings"
)

// SameProgram compares names as systems and loggers write them: in any case, with or
// without path and .exe, and cut to the length the kernel keeps.
func SameProgram(running, wanted string) bool {
	norm := func(s string) string {
		if i := strings.LastIndexAny(s, `/\`); i >= 0 {
			s = s[i+1:]
		}
		return strings.TrimSuffix(strings.ToLower(strings.TrimSpace(s)), ".exe")
	}
	r, w := norm(running), norm(wanted)
	if r == "" || w == "" {
		return false
	}
	if r == w {
		return true
	}
	cut := len(running) == shownName
	return cut && strings.HasPrefix(strings.ToLower(wanted[strings.LastIndexAny(wanted, `/\`)+1:]),
		strings.ToLower(running))
}

// endedProgram stands for a program that used a card and was gone before its name could
// be read.
func endedProgram(pid int) string { return fmt.Sprintf("process %d, which has ended", pid) }
