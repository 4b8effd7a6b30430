// Package cli holds what both programs say in the same way: exit statuses, errors with
// hints, and the runner that turns an error into both.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"strings"
	"syscall"

	"capd.example/internal/manual"
	safe "capd.example/internal/text"

	"github.com/alecthomas/kong"
)

// Exit statuses, a promise to scripts.
const (
	Done   = 0
	Found  = 1 // something was found: a bad pass, a failed check
	Usage  = 2 // wrong usage or configuration
	Failed = 3 // could not do it: I/O, no store, no agent
)

// Error carries an exit status and hints that say what to type next.
type Error struct {
	Status int
	Err    error
	Hints  []string
}

func (e *Error) Error() string { return e.Err.Error() }
func (e *Error) Unwrap() error { return e.Err }

// ErrFound ends a command with status [Found] and no message: what was found has been
// printed already.
var ErrFound = errors.New("found")

// UsageError marks err as wrong usage or configuration.
func UsageError(err error, hints ...string) error { return &Error{Usage, err, hints} }

// FailedError marks err as something that could not be done.
func FailedError(err error, hints ...string) error { return &Error{Failed, err, hints} }

// Status prints err for people as "program: error: ..." and "program: hint: ..." and
// returns the exit status; hints carry what the user gave. Errors of no special kind count
// as [Failed].
func Status(program string, err error, stderr io.Writer, given Given) int {
	if err == nil {
		return Done
	}
	if errors.Is(err, ErrFound) {
		return Found
	}
	var p *kong.ParseError
	for _, line := range each(err) {
		if errors.As(err, &p) {
			line = missing.ReplaceAllString(plainer.Replace(line), "$1 is missing")
		}
		fmt.Fprintf(stderr, "%s: error: %s\n", program, safe.Plain(line))
	}
	status := Failed
	var e *Error
	if errors.As(err, &e) {
		status = e.Status
		for _, h := range e.Hints {
			fmt.Fprintf(stderr, "%s: hint: %s\n", program, safe.Plain(given.Carry(h)))
		}
	}
	if p != nil {
		fmt.Fprintf(stderr, "%s: hint: %s\n", program, whereHelpIs(program, p))
		status = Usage
	}
	return status
}

// each returns the texts of joined errors, however they are wrapped, as far as nothing was
// said about all of them together.
func each(err error) (out []string) {
	switch e := err.(type) {
	case interface{ Unwrap() []error }:
		for _, single := range e.Unwrap() {
			out = append(out, each(single)...)
		}
		if strings.Join(out, "\n") == err.Error() {
			return out
		}
	case interface{ Unwrap() error }:
		if in := e.Unwrap(); in != nil && in.Error() == err.Error() {
			return each(in)
		}
	}
	return []string{err.Error()}
}

// plainer says what the parser of command lines says without the words of programmers.
var plainer = strings.NewReplacer(
	`expected string value but got "EOL" (<EOL>)`, "its value is missing",
	`expected int value but got "EOL" (<EOL>)`, "its value is missing",
	`expected float value but got "EOL" (<EOL>)`, "its value is missing",
	"expected a valid 64 bit int but got", "needs a whole number, not",
	"expected a float but got", "needs a number, not",
	"expected int value but got", "needs a whole number, not",
	"expected float value but got", "needs a number, not",
	" (string)", "", " (short flag)", "",
	"missing flags: ", "still needed: ", "expected one of ", "a command is missing, one of ",
)

// missing is how the parser says that an argument was left out.
var missing = regexp.MustCompile(`^expected "(<.*)"$`)

// whereHelpIs names the command that was begun, or the program.
func whereHelpIs(program string, p *kong.ParseError) string {
	if p.Context != nil {
		if n := p.Context.Selected(); n != nil {
			return fmt.Sprintf("%s %s --help shows its arguments and options", program, n.Path())
		}
	}
	return program + " --help lists the commands and options"
}

// Parse reads args into grammar. Help and version requests are printed to stdout; done
// is true when nothing is left to do. What stands in the tag "example" of a command, or of
// the one above it, is shown in its help.
func Parse(program, about string, grammar any, args []string, stdout, stderr io.Writer,
	opts ...kong.Option) (kctx *kong.Context, done bool, err error) {
	opts = append([]kong.Option{
		kong.Name(program), kong.Description(about), kong.Writers(stdout, stderr),
		kong.Exit(func(int) { done = true }),
		kong.UsageOnError(), kong.ConfigureHelp(kong.HelpOptions{Compact: true, FlagsLast: true}),
		kong.Vars{"version": program + " " + Build().String()},
	}, opts...)
	k, err := kong.New(grammar, opts...)
	if err != nil {
		return nil, false, fmt.Errorf("describe the commands: %w", err)
	}
	for _, n := range k.Model.Leaves(false) {
		for up := n; up != nil && n.Detail == ""; up = up.Parent {
			if up.Tag != nil && up.Tag.Has("example") {
				n.Detail = "Example: " + up.Tag.Get("example")
			}
		}
	}
	if len(args) == 2 && args[0] == "--generate" { // for packages: no command of anybody's day
		text, err := manual.Write(args[1], k.Model, day(Build().Date), Version())
		if err == nil {
			_, err = io.WriteString(stdout, text)
		}
		return nil, err == nil, err
	}
	kctx, err = k.Parse(args)
	if done {
		return nil, true, nil
	}
	return kctx, false, err
}

// Signals returns a context that ends on an interrupt, a request to terminate and, unless
// the program was started to outlive it (nohup), the end of its terminal.
func Signals() (context.Context, context.CancelFunc) {
	plainFiles() // here, since both programs begin with this call
	list := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		list = append(list, syscall.SIGHUP)
	}
	return signal.NotifyContext(context.Background(), list...)
}
