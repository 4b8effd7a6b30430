package report

import (
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"regexp"
	"runtime/debug"
)

// Program is what is known of the program that made a report.
type Program struct {
	Build  *debug.BuildInfo // nil: unknown
	SHA256 string           // of its file; "" where that could not be read
}

// fact is a name with its value.
type fact struct{ Name, Value string }

// untagged is a version that Go makes for a commit without a tag (Go Modules Reference,
// "Pseudo-versions", go.dev/ref/mod#pseudo-versions; "+dirty" since Go 1.24, from memory).
var untagged = regexp.MustCompile(`[-.]\d{14}-([0-9a-f]{7})[0-9a-f]{5}(\+.*)?$`)

// short is the version as a reader can say it; a build without a tag is named by the
// beginning of its revision.
func (p Program) short() string {
	if p.Build == nil {
		return ""
	}
	v := p.Build.Main.Version
	m := untagged.FindStringSubmatch(v)
	switch {
	case v == "(devel)":
		return ""
	case m == nil:
		return v
	case m[2] != "":
		return "build " + m[1] + " with changes"
	}
	return "build " + m[1]
}

// facts are version, revision and hash, whole.
func (p Program) facts() []fact {
	if p.Build == nil {
		return []fact{{"Program", "capctl, version unknown"}}
	}
	get := func(key string) string {
		for _, s := range p.Build.Settings {
			if s.Key == key {
				return s.Value
			}
		}
		return ""
	}
	out := []fact{{"Program", "capctl " + p.Build.Main.Version}}
	switch revision := get("vcs.revision"); {
	case revision == "":
		out = append(out, fact{"Revision", "not recorded by the build"})
	case get("vcs.modified") == "true":
		out = append(out, fact{"Revision", fmt.Sprintf("%s of %s, with changes that are not in it", revision,
			get("vcs.time"))})
	default:
		out = append(out, fact{"Revision", fmt.Sprintf("%s of %s", revision, get("vcs.time"))})
	}
	out = append(out, fact{"Built with", p.Build.GoVersion + " for " + get("GOOS") + "/" + get("GOARCH")})
	if p.SHA256 != "" {
		out = append(out, fact{"SHA-256 of the program", p.SHA256})
	}
	return out
}

// ThisProgram says what program this is, as its build recorded it, and the hash of its file.
func ThisProgram() Program {
	var p Program
	p.Build, _ = debug.ReadBuildInfo()
	path, err := os.Executable()
	if err != nil {
		return p
	}
	f, err := os.Open(path)
	if err != nil {
		return p
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err == nil {
		p.SHA256 = fmt.Sprintf("%x", h.Sum(nil))
	}
	return p
}
