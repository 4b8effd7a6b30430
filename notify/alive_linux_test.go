package notify

import (
	"bytes"
	"fmt"
	"os"
)

// alive reports whether a process runs; one that ended and was not waited for does not.
func alive(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, rest, _ := bytes.Cut(stat, []byte(") "))
	return len(rest) > 0 && rest[0] != 'Z'
}
