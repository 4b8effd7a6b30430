package winsys

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/rogpeppe/go-internal/txtar"
)

// Recorded is a machine that answered once. To the nth asking of a question it gives the nth
// answer, and after the last one that again.
type Recorded struct {
	mu      sync.Mutex // guards the rest
	answers map[string][]answer
	asked   map[string]int
	order   []string
}

type answer struct {
	status Status
	bytes  []byte
}

// NewRecorded returns a machine that has not answered anything yet.
func NewRecorded() *Recorded {
	return &Recorded{answers: map[string][]answer{}, asked: map[string]int{}}
}

// Add adds an answer to a question.
func (r *Recorded) Add(q Question, s Status, b []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	name := q.String()
	if _, known := r.answers[name]; !known {
		r.order = append(r.order, name)
	}
	r.answers[name] = append(r.answers[name], answer{s, bytes.Clone(b)})
}

// Ask implements [Asker]. What was never asked is what no Windows knows.
func (r *Recorded) Ask(q Question, out []byte) (int, Status) {
	r.mu.Lock()
	defer r.mu.Unlock()
	name := q.String()
	list := r.answers[name]
	if len(list) == 0 {
		return 0, NoFunction
	}
	a := list[min(r.asked[name], len(list)-1)]
	if a.status == OK && len(a.bytes) > len(out) {
		return len(a.bytes), 122 // asked again with more room, it gives the same answer
	}
	r.asked[name]++
	copy(out, a.bytes)
	return len(a.bytes), a.status
}

// Rewind has all answers given again from the first.
func (r *Recorded) Rewind() {
	r.mu.Lock()
	defer r.mu.Unlock()
	clear(r.asked)
}

// Answers calls visit with every answer, which it may change.
func (r *Recorded) Answers(visit func(question string, n int, b []byte)) {
	for _, name := range r.order {
		for n, a := range r.answers[name] {
			visit(name, n, a.bytes)
		}
	}
}

// mark begins the members of an archive that hold answers.
const mark = "asked "

// Write adds the answers to an archive, a member for each question: a line for each answer
// with its status and its bytes, or = for the one before again. Text is repeated in a comment,
// so that people see what is in the file.
func (r *Recorded) Write(a *txtar.Archive) {
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
	case strings.HasPrefix(name, RegistryValue) && len(b) > 4 && slices.Contains([]uint32{regText, regExpand, regTexts}, binary.LittleEndian.Uint32(b)):
		return strconv.Quote(UTF16Text(b[4:]))
	case strings.HasPrefix(name, RegistryKeys), strings.HasPrefix(name, PowerScheme):
		return strconv.Quote(string(b))
	}
	return ""
}

// ReadRecorded reads the answers in an archive.
func ReadRecorded(a *txtar.Archive) (*Recorded, error) {
	r := NewRecorded()
	for _, f := range a.Files {
		name, is := strings.CutPrefix(f.Name, mark)
		if !is {
			continue
		}
		r.order = append(r.order, name)
		for line := range strings.Lines(string(f.Data)) {
			line = strings.TrimSpace(line)
			list := r.answers[name]
			switch {
			case line == "" || line[0] == '#':
				continue
			case line == "=" && len(list) > 0:
				r.answers[name] = append(list, answer{list[len(list)-1].status, bytes.Clone(list[len(list)-1].bytes)})
				continue
			}
			code, data, _ := strings.Cut(line, " ")
			status, err := strconv.ParseUint(code, 16, 32)
			raw, err2 := hex.DecodeString(data)
			if err != nil || err2 != nil {
				return nil, fmt.Errorf("%s: the line %q is no answer", f.Name, line)
			}
			r.answers[name] = append(list, answer{Status(status), raw})
		}
	}
	if len(r.order) == 0 {
		return nil, fmt.Errorf("no answers of a Windows machine")
	}
	return r, nil
}

// Recorder asks a machine and keeps its answers, but for what tells of people: bare takes
// that out of an answer before it is kept, nil for nothing.
type Recorder struct {
	Asker
	Kept *Recorded
	Bare func(q Question, b []byte) []byte
}

// Ask implements [Asker].
func (r Recorder) Ask(q Question, out []byte) (int, Status) {
	n, s := r.Asker.Ask(q, out)
	if s.wantsRoom() {
		return n, s // the answer itself comes next
	}
	var b []byte
	if s == OK && n > 0 && n <= len(out) {
		b = bytes.Clone(out[:n])
		if r.Bare != nil {
			b = r.Bare(q, b)
		}
	}
	r.Kept.Add(q, s, b)
	return n, s
}
