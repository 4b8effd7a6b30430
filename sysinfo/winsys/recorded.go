package winsys

import (
	"bytes"
	"encoding/hex"
	"fmt"
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

// AnswerTo returns which question a member of an archive answers; false for other members.
func AnswerTo(member string) (question string, is bool) { return strings.CutPrefix(member, mark) }

// ReadRecorded reads the answers in an archive.
func ReadRecorded(a *txtar.Archive) (*Recorded, error) {
	r := NewRecorded()
	for _, f := range a.Files {
		name, is := AnswerTo(f.Name)
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
