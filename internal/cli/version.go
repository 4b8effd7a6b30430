package cli

import (
	"cmp"
	"runtime/debug"
	"strings"
)

// version is set by builds that know it better than Go, which reads it from the repository:
// -ldflags "-X .../internal/cli.version=v1.2.3".
var version string

// BuildInfo says which source a program was built from.
type BuildInfo struct {
	Version  string // v1.2.3, or what Go makes of a commit between two
	Revision string // of the commit; "" where the build did not record it
	Date     string // of the commit, RFC 3339; "" likewise
	Changed  bool   // the source differed from the commit
}

// Build returns what the build recorded.
func Build() BuildInfo {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		info = &debug.BuildInfo{}
	}
	b := BuildInfo{Version: cmp.Or(version, info.Main.Version, "(development)")}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Revision = s.Value
		case "vcs.time":
			b.Date = s.Value
		case "vcs.modified":
			b.Changed = s.Value == "true"
		}
	}
	return b
}

// String is "v1.2.3, revision 0123456789ab of 2026-01-02T03:04:05Z", as far as it is known.
func (b BuildInfo) String() string {
	out := b.Version
	if b.Revision != "" {
		out += ", revision " + b.Revision[:min(12, len(b.Revision))]
	}
	if b.Date != "" {
		out += " of " + b.Date
	}
	if b.Changed && !strings.Contains(b.Version, "dirty") {
		out += ", changed since"
	}
	return out
}

// Version returns the version that the build recorded.
func Version() string { return Build().Version }

// day is the day of a time in RFC 3339, "" for none.
func day(at string) string {
	d, _, _ := strings.Cut(at, "T")
	return d
}
