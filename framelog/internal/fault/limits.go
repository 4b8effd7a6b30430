package fault

// Limits that keep a hostile log's cost bounded; what is beyond them is a fault of the log.
const (
	MaxColumns = 4096
	MaxLine    = 1 << 20 // bytes
)
