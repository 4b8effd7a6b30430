package cli

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	words "capd.example/internal/text"

	"github.com/rs/zerolog"
)

// OnScreen is a field that keeps an event from a [Console] because people see what it
// says there in another way; where it is written as JSON the event is complete.
const OnScreen = "on_screen"

// Console writes the events of a zerolog logger as lines for people: the time, the
// message, and what went wrong. The other fields are for programs and are added only
// when Verbose is set, as are events below the level of information.
type Console struct {
	Out     io.Writer
	Verbose bool
	Colour  bool  // warnings and errors stand out; for terminals only
	Given   Given // what the commands in a line carry
}

// Write takes one event as JSON.
func (c Console) Write(event []byte) (int, error) {
	fields := map[string]any{}
	if err := json.Unmarshal(event, &fields); err != nil {
		return 0, fmt.Errorf("read an event: %w", err)
	}
	take := func(name string) string {
		text, _ := fields[name].(string)
		delete(fields, name)
		return words.Line(text)
	}
	at, level := take(zerolog.TimestampFieldName), take(zerolog.LevelFieldName)
	_, shown := fields[OnScreen]
	delete(fields, OnScreen)
	if !c.Verbose && (shown || level == zerolog.LevelDebugValue || level == zerolog.LevelTraceValue) {
		return len(event), nil
	}
	line := take(zerolog.MessageFieldName)
	if what := take(zerolog.ErrorFieldName); what != "" {
		line += ": " + what
	}
	if hint := take("hint"); hint != "" {
		line += " -> " + hint
	}
	line = c.marked(level, c.Given.Carry(line))
	if t, err := time.Parse(zerolog.TimeFieldFormat, at); err == nil {
		line = t.Local().Format(time.TimeOnly) + " " + line
	}
	if c.Verbose {
		for _, name := range slices.Sorted(maps.Keys(fields)) {
			value, _ := json.Marshal(fields[name]) // it was JSON
			line += " " + name + "=" + words.Line(string(value))
		}
	}
	if _, err := io.WriteString(c.Out, line+"\n"); err != nil {
		return 0, fmt.Errorf("write to the terminal: %w", err)
	}
	return len(event), nil
}

// marked says of a line that it is a warning or an error.
func (c Console) marked(level, line string) string {
	word, colour := "", ""
	switch level {
	case zerolog.LevelWarnValue:
		word, colour = "warning: ", "\x1b[33m"
	case zerolog.LevelErrorValue, zerolog.LevelFatalValue, zerolog.LevelPanicValue:
		word, colour = "error: ", "\x1b[1;31m"
	}
	if word == "" || !c.Colour {
		return word + line
	}
	return colour + word + line + "\x1b[0m"
}
