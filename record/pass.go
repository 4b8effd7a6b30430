package record

import (
	"crypto/sha256"
	"encoding/hex"
	"time"
)

// Pass is one recorded repetition of a scene: one log, its tags, its metrics and its
// findings. Its identity is the hash of the log's bytes. The JSON form is that of
// `capctl passes --json`.
type Pass struct {
	ID        string    `json:"id"` // first 12 hexadecimal digits of SHA256
	Bench     string    `json:"bench"`
	Log       string    `json:"log"` // path at which the log was first seen
	SHA256    string    `json:"sha256"`
	StartedAt time.Time `json:"started_at"`
	EndedAt   time.Time `json:"ended_at"`
	Tags      Tags      `json:"tags"`
	System    string    `json:"system"` // identity of the System
	Verdict   Verdict   `json:"verdict"`
	Overruled string    `json:"overruled,omitempty"` // the reviewer's reason where the verdict was set by hand
	Metrics   Metrics   `json:"metrics"`
	Findings  []Finding `json:"findings"`

	Claims   []Claim   `json:"claims,omitempty"`
	Layout   Layout    `json:"layout"`
	Remarks  []Remark  `json:"remarks,omitempty"`
	Revision int       `json:"revision,omitempty"` // 0 first; n when the log grew n times after it was stored
	Names    []string  `json:"names,omitempty"`    // other paths at which the same log was seen
	LogAt    time.Time `json:"log_at"`             // when the log was found complete
}

// VerdictKey tells the verdict of a pass with the reason of one by hand from every other, so that who
// orders by what a page showed can say what that was. It is short, and no form changes it on its
// way, whatever signs the reason has.
func (p Pass) VerdictKey() string {
	sum := sha256.Sum256([]byte(string(p.Verdict) + "\x00" + p.Overruled))
	return hex.EncodeToString(sum[:12])
}

// SystemLater reports whether the system was detected after the pass had ended, by an
// agent that was not running while it ran: it says how the bench was then, not during
// the pass.
func (p Pass) SystemLater() bool {
	for _, c := range p.Claims {
		if c.From == FromLater {
			return true
		}
	}
	return false
}

// Comparable reports whether two passes of one cell may be held against each other as
// repeats: of one bench, with one system, for one campaign.
func (p Pass) Comparable(o Pass) bool {
	return p.Bench == o.Bench && p.System == o.System && p.Tags.Value(TagCampaign) == o.Tags.Value(TagCampaign)
}

// PassID returns the short identity of the pass with the given hash.
func PassID(sha256hex string) string {
	if len(sha256hex) < 12 {
		return sha256hex
	}
	return sha256hex[:12]
}

// Expectation is what was known about a pass before it ran. A zero field is unknown.
type Expectation struct {
	DurationS  float64   `json:"duration_s,omitempty"`  // length of the scene as logged
	ToleranceS float64   `json:"tolerance_s,omitempty"` // allowed difference; 0 means the validator's default
	Passes     int       `json:"passes,omitempty"`      // wanted per cell
	From       string    `json:"from,omitempty"`        // "campaign", "configuration"
	CapFPS     float64   `json:"cap_fps,omitempty"`     // a cap that is meant
	RefreshHz  []float64 `json:"refresh_hz,omitempty"`  // refresh rates at which a cap is suspected
}

// Earlier is an earlier pass of the same cell as a validator sees it.
type Earlier struct {
	Pass      Pass               `json:"pass"`
	System    System             `json:"system"`
	SecondsMS []float64          `json:"seconds_ms,omitempty"` // mean frame time of each full second of the pass, ms
	StartTemp map[string]float64 `json:"start_temp,omitempty"` // first value of each temperature series, degrees C
}

// Evidence is all that a validator gets to see of one pass.
type Evidence struct {
	Pass         Pass // with tags, metrics, layout and remarks; no findings yet
	Frames       Frames
	Telemetry    *Telemetry // nil when none was taken
	TelemetryWhy string     // why Telemetry is nil
	System       System
	Expected     Expectation
	Earlier      []Earlier // same cell, oldest first, bad ones included (see their Verdict)

	// Spread holds what comparable cells have shown about repeatability, by metric
	// ("avg_fps", "low1_fps"); empty where there is no history.
	Spread map[string]Spread
}

// Spread is a pooled repeatability standard deviation of the logarithm of a metric.
type Spread struct {
	SD   float64 // of ln(metric): 0.01 is one per cent
	DF   float64 // its degrees of freedom
	From string  // for people: "12 cells of game a bound by the graphics card"
}

// Stretch is how far apart passes may have been recorded and still count as taken in one
// go: what changes by itself on a bench (drivers, updates, dust, the season) has changed
// after a month (a convention).
const Stretch = 30 * 24 * time.Hour

// Dated reports whether the times of the pass are dates that texts can hold: of the years 1
// to 9999 in UTC (RFC 3339, section 1). Clocks, file systems and packages may say others.
func (p Pass) Dated() bool {
	for _, t := range []time.Time{p.StartedAt, p.EndedAt, p.LogAt} {
		if year := t.UTC().Year(); year < 1 || year > 9999 {
			return false
		}
	}
	return true
}
