package autostart

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// Do is what a step does.
type Do string

// What a step can do.
const (
	Copy   Do = "copy"   // the file From to Path
	Write  Do = "write"  // Text into the file Path
	Remove Do = "remove" // the file Path
	Set    Do = "set"    // the value Name of the registry key Path to Text
	Unset  Do = "unset"  // that value
	Forget Do = "forget" // the registry key Path with what is in it
	Run    Do = "run"    // Command, to its end
	Begin  Do = "start"  // Command, which stays
)

// Step is one thing to do.
type Step struct {
	Do      Do
	Path    string // of a file, or a registry key below HKEY_CURRENT_USER
	From    string
	Name    string
	Text    string
	Command []string
	May     bool // a Run that fails is no failure
}

// Plan is what is to be done, in order.
type Plan []Step

// String is the step as one line for people.
func (s Step) String() string {
	switch s.Do {
	case Copy:
		return fmt.Sprintf("copy %s to %s", s.From, s.Path)
	case Set:
		return fmt.Sprintf(`set HKEY_CURRENT_USER\%s, value %q, to %s`, s.Path, s.Name, s.Text)
	case Unset:
		return fmt.Sprintf(`remove the value %q of HKEY_CURRENT_USER\%s`, s.Name, s.Path)
	case Forget:
		return fmt.Sprintf(`remove the key HKEY_CURRENT_USER\%s`, s.Path)
	case Run, Begin:
		return fmt.Sprintf("%s %s", s.Do, strings.Join(s.Command, " "))
	}
	return fmt.Sprintf("%s %s", s.Do, s.Path)
}

// Print writes the plan with the text of every file.
func (p Plan) Print(out io.Writer) error {
	var b strings.Builder
	for _, s := range p {
		fmt.Fprintln(&b, s)
		if s.Do == Write {
			for line := range strings.Lines(s.Text) {
				b.WriteString("    " + line)
			}
		}
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// done reports that what the step would bring about is so already. Commands are never done.
func (s Step) done() (bool, error) {
	switch s.Do {
	case Copy:
		return sameBytes(s.From, s.Path)
	case Write:
		text, err := os.ReadFile(s.Path)
		if errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		return string(text) == s.Text, err
	case Remove:
		_, err := os.Lstat(s.Path)
		return errors.Is(err, fs.ErrNotExist), nil
	case Set, Unset:
		value, there, err := userValue(s.Path, s.Name)
		return there == (s.Do == Set) && (!there || value == s.Text), err
	case Forget:
		there, err := userKey(s.Path)
		return !there, err
	}
	return false, nil
}

// marker stands in every file that an install writes.
const marker = "Written by 'capd install'"

// foreign refuses a plan that would replace or remove a file that somebody else wrote.
func (p Plan) foreign() error {
	for _, s := range p {
		var ours bool
		switch s.Do {
		case Copy:
			ours = Ours(s.Path)
		case Write, Remove:
			text, err := os.ReadFile(s.Path)
			ours = err == nil && bytes.Contains(text, []byte(marker)) || Ours(s.Path)
		default:
			continue
		}
		if _, err := os.Stat(s.Path); err == nil && !ours {
			return fmt.Errorf("%s was not written by 'capd install': move it away, then type the command again", s.Path)
		}
	}
	return nil
}

// Open returns the files and values that are not yet as the plan wants them.
func (p Plan) Open() (open Plan, err error) {
	for _, s := range p {
		if s.Do == Run || s.Do == Begin {
			continue
		}
		done, err := s.done()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s, err)
		}
		if !done {
			open = append(open, s)
		}
	}
	return open, nil
}

// staged is the name beside a file under which its next content lies until it is in force.
func staged(path string) string { return path + ".new" }

// Stage does what takes time and changes nothing that is in force: it copies programs beside
// the ones that they are to replace.
func (p Plan) Stage() error {
	for _, s := range p {
		if s.Do != Copy {
			continue
		}
		if done, err := s.done(); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		} else if done {
			continue
		}
		if err := copyFile(s.From, staged(s.Path)); err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	return nil
}

// Apply carries the plan out and tells of each step that changed something.
func (p Plan) Apply(ctx context.Context, tell func(Step)) error {
	for _, s := range p {
		done, err := s.done()
		if err == nil && !done {
			err = s.apply(ctx)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", s, err)
		}
		if !done {
			tell(s)
		}
	}
	return nil
}

func (s Step) apply(ctx context.Context) error {
	switch s.Do {
	case Copy:
		if _, err := os.Lstat(staged(s.Path)); errors.Is(err, fs.ErrNotExist) {
			if err := copyFile(s.From, staged(s.Path)); err != nil {
				return err
			}
		}
		return replace(staged(s.Path), s.Path)
	case Write:
		if err := os.MkdirAll(filepath.Dir(s.Path), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(staged(s.Path), []byte(s.Text), 0o644); err != nil {
			return err
		}
		return replace(staged(s.Path), s.Path)
	case Remove:
		return discard(s.Path)
	case Set:
		return setUserValue(s.Path, s.Name, s.Text)
	case Unset:
		return removeUserValue(s.Path, s.Name)
	case Forget:
		return removeUserKey(s.Path)
	case Run:
		err := run(ctx, s.Command)
		if s.May {
			return nil
		}
		return err
	case Begin:
		return begin(s.Command)
	}
	return fmt.Errorf("unknown step %q", s.Do)
}

// commandTime is how long a command of the system may take.
const commandTime = time.Minute

func run(ctx context.Context, command []string) error {
	_, err := output(ctx, command...)
	return err
}

// output runs a command and returns what it says; an error holds what it complained of.
func output(ctx context.Context, command ...string) (string, error) {
	ctx, stop := context.WithTimeout(ctx, commandTime)
	defer stop()
	c := exec.CommandContext(ctx, command[0], command[1:]...)
	c.SysProcAttr = unseen()
	var out, complaint bytes.Buffer
	c.Stdout, c.Stderr = &out, &complaint
	c.WaitDelay = time.Second
	if err := c.Run(); err != nil {
		if text := strings.TrimSpace(complaint.String()); text != "" {
			err = fmt.Errorf("%w: %s", err, text)
		}
		return out.String(), err
	}
	return out.String(), nil
}

func copyFile(from, to string) (err error) {
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return err
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	if err := os.Remove(to); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o755)
	if err != nil {
		return err
	}
	defer func() {
		if e := out.Close(); err == nil {
			err = e
		}
		if err != nil {
			os.Remove(to)
		}
	}()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Sync()
}

// sameBytes compares two files; one that is missing is different.
func sameBytes(a, b string) (bool, error) {
	ia, err := os.Stat(a)
	if err != nil {
		return false, err
	}
	ib, err := os.Stat(b)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if os.SameFile(ia, ib) || ia.Size() != ib.Size() {
		return os.SameFile(ia, ib), nil
	}
	fa, err := os.Open(a)
	if err != nil {
		return false, err
	}
	defer fa.Close()
	fb, err := os.Open(b)
	if err != nil {
		return false, err
	}
	defer fb.Close()
	ba, bb := make([]byte, 1<<16), make([]byte, 1<<16)
	for {
		n, err := io.ReadFull(fa, ba)
		m, errB := io.ReadFull(fb, bb)
		if !bytes.Equal(ba[:n], bb[:m]) {
			return false, nil
		}
		if err != nil || errB != nil {
			ended := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
			if !ended {
				return false, errors.Join(err, errB)
			}
			return true, nil
		}
	}
}
