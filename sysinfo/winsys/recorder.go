package winsys

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/txtar"
)

// Recorder asks a machine and keeps its answers. Bare takes what tells of people and of this
// one machine out of an answer before anybody sees it, so that a replay sees the same; false
// where the call is none that may be kept.
type Recorder struct {
	Asker
	Kept *Recorded
	Bare func(q Question, b []byte) ([]byte, bool)
}

// Ask implements [Asker].
func (r Recorder) Ask(q Question, out []byte) (int, Status) {
	n, s := r.Asker.Ask(q, out)
	if s.wantsRoom() {
		return n, s // the answer itself comes next
	}
	var b []byte
	if s == OK && n > 0 && n <= len(out) {
		bare, may := r.Bare(q, bytes.Clone(out[:n]))
		if !may {
			return 0, NoFunction
		}
		b = bare
		n = copy(out, b)
	}
	r.Kept.add(q, s, b)
	return n, s
}

// add adds an answer to a question.
func (r *Recorded) add(q Question, s Status, b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	name := q.String()
	if _, known := r.answers[name]; !known {
		r.order = append(r.order, name)
	}
	r.answers[name] = append(r.answers[name], answer{s, bytes.Clone(b)})
}

// Write adds the answers to an archive, a member for each question: a line for each answer
// with its status and its bytes, or = for the one before again. Text is repeated in a comment,
// so that people see what is in the file.
func (r *Recorded) Write(a *txtar.Archive) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, name := range r.order {
		var b bytes.Buffer
		for i, is := range r.answers[name] {
			if i > 0 && is.status == r.answers[name][i-1].status && bytes.Equal(is.bytes, r.answers[name][i-1].bytes) {
				b.WriteString("=\n")
				continue
			}
			fmt.Fprintf(&b, "%x %s\n", uint32(is.status), hex.EncodeToString(is.bytes))
			if said := readable(name, is.bytes); said != "" {
				fmt.Fprintf(&b, "# %s\n", said)
			}
		}
		a.Files = append(a.Files, txtar.File{Name: mark + name, Data: b.Bytes()})
	}
}

func readable(name string, b []byte) string {
	switch {
	case strings.HasPrefix(name, RegistryValue) && len(b) > 4 &&
		slices.Contains([]uint32{RegText, RegExpand, RegTexts}, binary.LittleEndian.Uint32(b)):
		return strconv.Quote(UTF16Text(b[4:]))
	case strings.HasPrefix(name, RegistryKeys), strings.HasPrefix(name, PowerScheme):
		return strconv.Quote(string(b))
	}
	return ""
}
