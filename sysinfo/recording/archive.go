package recording

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"capd.example/record"
	"github.com/rogpeppe/go-internal/txtar"
)

// Members of a recording beside what the machine answered. The last one is for people.
const (
	Seen    = "seen"    // what was detected and sampled; a replay must give the same
	sum     = "sum"     // SHA-256 of all the rest
	Summary = "summary" // a line for each thing that a machine may tell
)

const heading = "A machine that was asked by 'capd check --record'"

// Is reports whether a file begins as a recording does.
func Is(b []byte) bool { return bytes.HasPrefix(b, []byte(heading)) }

// Format writes a recording; comment goes on after the heading.
func Format(comment string, members []txtar.File, seen string, summary []string) []byte {
	a := txtar.Archive{Comment: []byte(heading + comment + "\n"),
		Files: append(members, txtar.File{Name: Seen, Data: []byte(seen)})}
	end := txtar.Archive{Files: []txtar.File{{Name: Summary, Data: []byte(strings.Join(summary, "\n") + "\n")}}}
	before, after := txtar.Format(&a), txtar.Format(&end)
	return bytes.Join([][]byte{before, []byte("-- " + sum + " --\n" + digest(before, after) + "\n"), after}, nil)
}

func digest(parts ...[]byte) string {
	all := sha256.Sum256(bytes.Join(parts, nil))
	return hex.EncodeToString(all[:])
}

// ErrChanged says that a recording is not as it was written.
var ErrChanged = errors.New("the recording was changed or cut short")

// Parse reads a recording and holds it against its sum.
func Parse(b []byte) (*txtar.Archive, error) {
	mark := []byte("-- " + sum + " --\n")
	at := bytes.LastIndex(b, mark)
	if !Is(b) || at < 0 {
		return nil, ErrChanged
	}
	told, after, _ := bytes.Cut(b[at+len(mark):], []byte("\n"))
	if string(told) != digest(b[:at], after) {
		return nil, ErrChanged
	}
	return txtar.Parse(b), nil
}

// Member returns the text of a member, "" for none.
func Member(a *txtar.Archive, name string) string {
	for _, f := range a.Files {
		if f.Name == name {
			return string(f.Data)
		}
	}
	return ""
}

// System writes a system, a line for each field.
func System(s record.System) string {
	var out strings.Builder
	fmt.Fprintln(&out, "id", s.Identity())
	for _, f := range s.Fields {
		mark, value := " ", f.Value+" "+f.Unit
		if f.Identity {
			mark = "*"
		}
		if f.Unknown != "" {
			value = "? " + string(f.Unknown)
		}
		fmt.Fprintf(&out, "%s %-30s %-36s %s\n", mark, f.Name, strings.TrimSpace(value), f.Source)
	}
	return out.String()
}
