package control

import "time"

// Overhead is what the agent itself has cost the machine since it started. Its JSON form
// is that of `capctl overhead --json`; new fields may appear. What the operating system
// does not count is left out.
type Overhead struct {
	PID   int       `json:"pid"`
	Since time.Time `json:"since"` // start of the agent
	AgeS  float64   `json:"age_s"`

	ProcessorS  float64 `json:"processor_s"`  // user and system time
	Percent     float64 `json:"percent"`      // of one processor, on average
	ValidatorsS float64 `json:"validators_s"` // processor time of validator processes that have ended

	WakeUps     uint64  `json:"wake_ups,omitempty"` // times a thread woke from waiting
	WakeUpsPerS float64 `json:"wake_ups_per_s,omitempty"`
	Preempted   uint64  `json:"preempted,omitempty"` // times a thread had to let another one go first

	ResidentBytes     uint64 `json:"resident_bytes"`
	ResidentMostBytes uint64 `json:"resident_most_bytes"`

	Reads        uint64 `json:"reads,omitempty"` // calls that read a file
	ReadBytes    uint64 `json:"read_bytes,omitempty"`
	WrittenBytes uint64 `json:"written_bytes,omitempty"`

	Samples       uint64  `json:"samples"`
	SampleFirstMS float64 `json:"sample_first_ms"` // the first sample looks at every process
	// processor time where the system counts it finely, else from start to end
	SampleMeanMS  float64   `json:"sample_mean_ms"`
	SampleLongMS  float64   `json:"sample_longest_ms"`          // but the first
	SampleLongest time.Time `json:"sample_longest_at,omitzero"` // when that one was taken
	SampleTotalS  float64   `json:"sample_total_s"`             // all but the first
}
