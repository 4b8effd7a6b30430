package tag

import (
	"errors"
	"fmt"
	"strings"

	"capd.example/record"
)

// Template is a pattern for paths below the watched folder, such as
// `{game}/{resolution}-{preset}/pass{pass}.csv`. Text outside braces must be there as it
// stands, in the same case; either slash separates folders. {name} takes one or more
// characters of one path element; {pass} takes digits only; {*} takes any, also none, and
// makes no tag. A name that stands twice must read the same both times.
//
// The zero Template matches nothing.
type Template struct {
	text  string
	parts []part
}

// part is literal text, or a placeholder when name is set.
type part struct {
	literal string
	name    string // "*" for the wildcard
}

const wildcard = "*"

// String returns the template as it was written.
func (t Template) String() string { return t.text }

// Names returns the tags that the template makes, in order, each once.
func (t Template) Names() []string {
	var names []string
	seen := map[string]bool{wildcard: true}
	for _, p := range t.parts {
		if p.name != "" && !seen[p.name] {
			seen[p.name] = true
			names = append(names, p.name)
		}
	}
	return names
}

// ParseTemplate reads a template. The error names the position, from 1, of what is wrong.
func ParseTemplate(text string) (Template, error) {
	t := Template{text: text}
	rest := slashes(text)
	at := func() int { return len(text) - len(rest) + 1 }
	for rest != "" {
		open := strings.IndexAny(rest, "{}")
		if open < 0 {
			t.parts = append(t.parts, part{literal: rest})
			break
		}
		if open > 0 {
			t.parts = append(t.parts, part{literal: rest[:open]})
			rest = rest[open:]
		}
		if rest[0] == '}' {
			return Template{}, fmt.Errorf("path template %q: position %d: } without {", text, at())
		}
		end := strings.IndexByte(rest, '}')
		if end < 0 {
			return Template{}, fmt.Errorf("path template %q: position %d: { is never closed", text, at())
		}
		name := rest[1:end]
		if !validName(name) {
			return Template{},
				fmt.Errorf("path template %q: position %d: {%s} is no tag name: use lower-case letters, digits and _, or {*}",
					text, at(), name)
		}
		if n := len(t.parts); n > 0 && t.parts[n-1].name != "" {
			return Template{},
				fmt.Errorf("path template %q: position %d: {%s} follows {%s} directly: put text between them, or nobody can tell where one ends", text, at(), name, t.parts[n-1].name)
		}
		t.parts = append(t.parts, part{name: name})
		rest = rest[end+1:]
	}
	if len(t.Names()) == 0 {
		return Template{}, fmt.Errorf("path template %q names no tag: write for instance {game}/pass{pass}.csv", text)
	}
	return t, nil
}

// ParseTemplates reads several templates and returns the first error.
func ParseTemplates(texts []string) ([]Template, error) {
	out := make([]Template, 0, len(texts))
	for _, text := range texts {
		t, err := ParseTemplate(text)
		if err != nil {
			return nil, err
		}
		out = append(out, t)
	}
	return out, nil
}

// validName accepts lower-case words, as tags are named everywhere else.
func validName(name string) bool {
	if name == wildcard {
		return true
	}
	for i, r := range name {
		letter := r >= 'a' && r <= 'z'
		if !letter && (i == 0 || r != '_' && (r < '0' || r > '9')) {
			return false
		}
	}
	return name != ""
}

func slashes(s string) string { return strings.ReplaceAll(s, `\`, "/") }

// ErrNoTemplate is wrapped by the note about a path that no template fits.
var ErrNoTemplate = errors.New("fits none of the path templates")

// AmbiguousError is the note about a path that one template reads in more than one way.
type AmbiguousError struct {
	Template string
	Path     string
	Names    []string // the tags that differ between the readings
	Ways     [2]map[string]string
}

func (e *AmbiguousError) Error() string {
	var read [2][]string
	for i, w := range e.Ways {
		for _, n := range e.Names {
			read[i] = append(read[i], n+"="+w[n])
		}
	}
	return fmt.Sprintf("path %q can be read two ways by template %q (%s, or %s): capd makes no tag of these; use a separator that does not occur in the names",
		e.Path, e.Template, strings.Join(read[0], " "), strings.Join(read[1], " "))
}

// FromPath reads the tags from a log's path below the watched folder. The first template
// that fits is used. The error is a note for people and not a failure: it wraps
// [ErrNoTemplate] where templates exist and none fits, or is an [*AmbiguousError], in which
// case the claims hold only the tags on which all readings agree.
func FromPath(templates []Template, rel string) ([]record.Claim, error) {
	path := slashes(rel)
	for i, t := range templates {
		ways, shaky := t.match(path)
		if len(ways) == 0 {
			continue
		}
		var claims []record.Claim
		for _, name := range t.Names() {
			value := clean(ways[0][name])
			if shaky[name] || value == "" {
				continue
			}
			if name == record.TagPass {
				value = ordinal(value)
			}
			claims = append(claims, record.Claim{
				Name: name, Value: value, From: record.FromPath,
				Detail: fmt.Sprintf("path template %d: %s", i+1, t.text),
			})
		}
		if len(shaky) > 0 {
			return claims, ambiguous(t, path, ways, shaky)
		}
		return claims, nil
	}
	if len(templates) == 0 {
		return nil, nil
	}
	return nil, fmt.Errorf("path %q %w", rel, ErrNoTemplate)
}

func ambiguous(t Template, path string, ways []map[string]string, shaky map[string]bool) error {
	e := &AmbiguousError{Template: t.text, Path: path, Ways: [2]map[string]string{ways[0], ways[1]}}
	for _, n := range t.Names() {
		if shaky[n] {
			e.Names = append(e.Names, n)
		}
	}
	return e
}

// ordinal drops leading zeros, so that pass 03 and pass 3 are the same.
func ordinal(digits string) string {
	if s := strings.TrimLeft(digits, "0"); s != "" {
		return s
	}
	return "0"
}

// enough bounds how many ways are walked; a path with more is ambiguous all the same.
const enough = 20000

// match returns up to all readings of the path, the lazy one first, and the names on which
// the readings differ.
func (t Template) match(path string) (ways []map[string]string, shaky map[string]bool) {
	if len(t.parts) == 0 {
		return nil, nil
	}
	m := matcher{parts: t.parts, path: path, fits: t.reach(path), got: map[string]string{}, shaky: map[string]bool{}}
	m.walk(0, 0)
	return m.ways, m.shaky
}

// reach tells for each part and position whether the rest of the path fits the rest of
// the template, leaving aside that repeated names must be equal. It keeps the walk from
// trying what cannot succeed.
func (t Template) reach(path string) [][]bool {
	n := len(path)
	fits := make([][]bool, len(t.parts)+1)
	for i := range fits {
		fits[i] = make([]bool, n+1)
	}
	fits[len(t.parts)][n] = true
	for i := len(t.parts) - 1; i >= 0; i-- {
		for pos := 0; pos <= n; pos++ {
			fits[i][pos] = t.parts[i].ends(path, pos, func(end int) bool { return fits[i+1][end] })
		}
	}
	return fits
}

// ends calls try with every position at which the part can end when it starts at pos,
// nearest first, until try returns true; it returns whether that happened.
func (p part) ends(path string, pos int, try func(end int) bool) bool {
	if p.name == "" {
		return strings.HasPrefix(path[pos:], p.literal) && try(pos+len(p.literal))
	}
	if p.name == wildcard && try(pos) {
		return true
	}
	for end := pos; end < len(path) && path[end] != '/'; {
		if p.name == record.TagPass && (path[end] < '0' || path[end] > '9') {
			return false
		}
		end++
		if try(end) {
			return true
		}
	}
	return false
}

type matcher struct {
	parts []part
	path  string
	fits  [][]bool
	got   map[string]string
	steps int

	ways  []map[string]string // the first reading, and one more when there are several
	shaky map[string]bool
}

// walk tries part i at pos; it returns true when the walk is to end.
func (m *matcher) walk(i, pos int) bool {
	if m.steps++; m.steps > enough && len(m.ways) > 0 {
		m.giveUp()
		return true
	}
	if m.steps > 50*enough {
		return true
	}
	if i == len(m.parts) {
		m.found()
		return false
	}
	p := m.parts[i]
	return p.ends(m.path, pos, func(end int) bool {
		if !m.fits[i+1][end] {
			return false
		}
		if p.name == "" || p.name == wildcard {
			return m.walk(i+1, end)
		}
		text := m.path[pos:end]
		if before, again := m.got[p.name]; again {
			return before == text && m.walk(i+1, end)
		}
		m.got[p.name] = text
		stop := m.walk(i+1, end)
		delete(m.got, p.name)
		return stop
	})
}

func (m *matcher) found() {
	way := make(map[string]string, len(m.got))
	for k, v := range m.got {
		way[k] = v
	}
	if len(m.ways) == 0 {
		m.ways = append(m.ways, way)
		return
	}
	differs := false
	for k, v := range way {
		if m.ways[0][k] != v {
			m.shaky[k] = true
			differs = true
		}
	}
	if differs && len(m.ways) == 1 {
		m.ways = append(m.ways, way)
	}
}

// giveUp calls every name doubtful: there are more readings than are worth walking.
func (m *matcher) giveUp() {
	for k := range m.ways[0] {
		m.shaky[k] = true
	}
	if len(m.ways) == 1 {
		m.ways = append(m.ways, m.ways[0])
	}
}
