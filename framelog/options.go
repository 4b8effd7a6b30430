package framelog

import (
	"path"
	"strconv"
	"strings"

	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/unit"
	"capd.example/framelog/internal/unwrap"
)

// Limits of what one log may cost. They are far above any real log.
const (
	DefaultMaxFrames = 1 << 25 // 256 MiB of frame times
	DefaultMaxBytes  = 16 << 30
	pieceSize        = 128 << 10
)

// Options say what is known about a log beyond its bytes. The zero value is ready.
type Options struct {
	Layouts   []Declared // the first that matches is used
	Program   string     // program whose rows are used where a log names programs; empty for the one with most frames
	Formats   []Format   // formats beyond text and JSON Lines
	NoHash    bool       // leave Digest.SHA256 empty
	NoLink    bool       // refuse a path that is a link; where others may write into the folder
	MaxFrames int        // 0 for DefaultMaxFrames
	MaxBytes  int64      // of text after decompression; 0 for DefaultMaxBytes
}

// Format is a binary format that can be turned into comma-separated text with a heading.
type Format = unwrap.Format

// Declared is a layout that the reviewer declared. Empty fields are found from the log;
// its fields mean what they mean in the configuration.
type Declared struct {
	Name          string
	Path          string // glob pattern for the log's path or its last part; empty for any
	Heading       string // text that the heading line must contain; empty for any
	Column        string // heading of the column, or its position from 1
	Kind          string // "duration" or "timestamp"
	Unit          string // "s", "ms", "us" or "ns"
	Delimiter     string
	Decimal       string
	SkipLines     int
	Program       string
	ProgramColumn string // heading or position
}

// Check returns the first field that makes no sense.
func (d Declared) Check() error {
	bad := func(key, value, allowed string) error {
		return fault.New(0, allowed, "declared layout %q: %s is %q", d.Name, key, value)
	}
	if _, ok := unit.ByName(d.Unit); !ok && d.Unit != "" {
		return bad("unit", d.Unit, "use s, ms, us or ns")
	}
	if d.Kind != "" && d.Kind != "duration" && d.Kind != "timestamp" {
		return bad("kind", d.Kind, "use duration or timestamp")
	}
	if d.Decimal != "" && d.Decimal != "." && d.Decimal != "," {
		return bad("decimal", d.Decimal, `use "." or ","`)
	}
	switch d.Delimiter {
	case "", ",", ";", "\t", "|", " ":
	default:
		return bad("delimiter", d.Delimiter, `use ",", ";", "\t", "|" or " " (any white space)`)
	}
	if d.SkipLines < 0 || d.SkipLines > 1_000_000 {
		return bad("skip_lines", strconv.Itoa(d.SkipLines), "use 0 or more")
	}
	if _, err := path.Match(d.Path, ""); err != nil {
		return bad("path", d.Path, "write a glob pattern such as *.csv")
	}
	return nil
}

// matches reports whether the layout is meant for a log of this name and first piece.
func (d Declared) matches(name string, head []byte) bool {
	if d.Path != "" && !matchPath(d.Path, name) {
		return false
	}
	if d.Heading == "" {
		return true
	}
	front := head[:min(len(head), 64<<10)]
	text, _ := decodeHeading(front)
	for i, line := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == '\r' }) {
		if i >= frontLines+d.SkipLines {
			break
		}
		if strings.Contains(line, d.Heading) {
			return true
		}
	}
	return false
}

// matchPath matches a glob pattern against the whole path and against as many of its
// last parts as the pattern has.
func matchPath(pattern, name string) bool {
	pattern, name = strings.ReplaceAll(pattern, `\`, "/"), strings.ReplaceAll(name, `\`, "/")
	if ok, _ := path.Match(pattern, name); ok {
		return true
	}
	parts := strings.Split(name, "/")
	n := strings.Count(pattern, "/") + 1
	if len(parts) < n {
		return false
	}
	ok, _ := path.Match(pattern, strings.Join(parts[len(parts)-n:], "/"))
	return ok
}
