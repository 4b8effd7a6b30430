package record

import (
	"time"
)

// Boot is one start of the machine.
type Boot struct {
	// ID tells it from other starts of this machine: the beginning of the kernel's random
	// name for it on Linux; on Windows, which gives none, At to the second in RFC 3339.
	ID string
	At time.Time
}
