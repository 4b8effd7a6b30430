package record

import (
	"crypto/sha256"
	"encoding/hex"
	"sort"
	"strings"
)

// Unknown says why a fact about the bench could not be read.
type Unknown string

// The reasons.
const (
	Absent      Unknown = "absent"      // the machine has no such thing or no such file
	Refused     Unknown = "refused"     // permission was refused
	Unsupported Unknown = "unsupported" // the source exists and says it cannot tell
	Broken      Unknown = "broken"      // the source answered nonsense or failed
)

// Field is one detected fact. Exactly one of Value and Unknown is set.
type Field struct {
	Name     string  `json:"name"` // dotted: "processor.name", "graphics.0.driver", "memory.configured_speed"
	Value    string  `json:"value,omitempty"`
	Unit     string  `json:"unit,omitempty"`   // "" for text and counts
	Source   string  `json:"source,omitempty"` // where it was read: "/proc/cpuinfo", "nvml"
	Unknown  Unknown `json:"unknown,omitempty"`
	Identity bool    `json:"identity,omitempty"` // counts for the system's identity
}

// Names of the fields that other packages rely on; sysinfo may add any others.
const (
	FieldProcessorName    = "processor.name"
	FieldProcessorBoost   = "processor.boost"
	FieldProcessorPolicy  = "processor.policy" // governor or power plan
	FieldProcessorThreads = "processor.threads"
	FieldMemorySize       = "memory.size"
	FieldMemorySpeed      = "memory.configured_speed"
	FieldBoardName        = "board.name"
	FieldFirmwareVersion  = "firmware.version"
	FieldOSName           = "os.name"
	FieldOSBuild          = "os.build" // kernel release or Windows build
	// Of graphics card N, from 0: "graphics.N.name" and so on. Card 0 is the one that
	// most likely renders.
	FieldThrottleTemp   = "throttle_temperature" // of a card, behind "graphics.N.": degrees C from which it throttles, by its own word
	FieldGraphicsName   = "graphics.0.name"
	FieldGraphicsDriver = "graphics.0.driver"
)

// System is the detected configuration of the bench at one time.
type System struct {
	ID     string  `json:"id"` // [System.Identity], set by whoever detected it
	Fields []Field `json:"fields"`
}

// Get returns the named field and whether it is known.
func (s System) Get(name string) (Field, bool) {
	for _, f := range s.Fields {
		if f.Name == name {
			return f, f.Unknown == "" && f.Value != ""
		}
	}
	return Field{Name: name, Unknown: Absent}, false
}

// Identity returns the hash of what matters for comparability: the known fields marked
// Identity, in order of their names. The first 16 hexadecimal digits of a SHA-256 are
// plenty for one lab.
func (s System) Identity() string {
	var lines []string
	for _, f := range s.Fields {
		if f.Identity && f.Unknown == "" {
			lines = append(lines, f.Name+"\x00"+f.Value+"\x00"+f.Unit)
		}
	}
	sort.Strings(lines)
	sum := sha256.Sum256([]byte(strings.Join(lines, "\n")))
	return hex.EncodeToString(sum[:])[:16]
}

// Change is one field that differs between two systems.
type Change struct {
	Name     string
	Old, New Field
}

// Diff lists the fields that differ from a to b, in order of their names.
func Diff(a, b System) []Change {
	fields := map[string][2]Field{}
	for _, f := range a.Fields {
		fields[f.Name] = [2]Field{f, {Name: f.Name, Unknown: Absent}}
	}
	for _, f := range b.Fields {
		p, seen := fields[f.Name]
		if !seen {
			p[0] = Field{Name: f.Name, Unknown: Absent}
		}
		p[1] = f
		fields[f.Name] = p
	}
	var out []Change
	for name, p := range fields {
		if p[0].Value != p[1].Value || p[0].Unknown != p[1].Unknown || p[0].Unit != p[1].Unit {
			out = append(out, Change{Name: name, Old: p[0], New: p[1]})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out
}
