package cli

import (
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"

	"capd.example/internal/text"
)

// Given are the options by which the user said which configuration, store or campaign is
// meant. A command that a message tells the user to type must carry them, or it would
// speak about another one.
type Given []Option

// Option is one of them.
type Option struct {
	Name, Value string   // "--data", "/mnt/data"; without value it was not given; without name the value stands alone
	For         []string // the commands that take it; none for all
	Own         bool     // stands behind the command, not before it
}

// Anywhere is what was given, as arguments that hold in any folder.
func (g Given) Anywhere() (args []string, err error) {
	for _, o := range g {
		if o.Value == "" {
			continue
		}
		path, err := filepath.Abs(o.Value)
		if err != nil {
			return nil, err
		}
		args = append(args, o.Name, path)
	}
	return args, nil
}

// typed is the option as it is typed behind something.
func (o Option) typed() string {
	if o.Name == "" {
		return " " + Quoted(o.Value)
	}
	return " " + o.Name + " " + Quoted(o.Value)
}

// commands finds commands to type in a message: in quotes, after a colon, or after a word
// such as "with". Elsewhere the programs' names are only names.
var commands = regexp.MustCompile("(['`]|: |\\b(?:with|then) )(capctl|capd) ([a-z]+)")

// Carry puts what was given into every command that the text tells the user to type.
func (g Given) Carry(text string) string {
	if !slices.ContainsFunc(g, func(o Option) bool { return o.Value != "" }) {
		return text
	}
	return commands.ReplaceAllStringFunc(text, func(found string) string {
		m := commands.FindStringSubmatch(found)
		before, after := "", ""
		for _, o := range g {
			switch {
			case o.Value == "" || len(o.For) > 0 && !slices.Contains(o.For, m[3]):
			case o.Own:
				after += o.typed()
			default:
				before += o.typed()
			}
		}
		return m[1] + m[2] + before + " " + m[3] + after
	})
}

// plainWord is what Unix shells leave as it is; plainPath what both shells of Windows do, of
// which one takes a comma for the end of an argument and one a per cent sign for a variable.
var (
	plainWord = regexp.MustCompile(`^[\p{L}\p{N}_.,:+/%@=-]+$`)
	plainPath = regexp.MustCompile(`^[\p{L}\p{N}_.:+/\\=-]+$`)
)

// Quoted is a value as one types it for a shell of this system. Double quotes where they
// do, since messages put commands into single ones and Windows knows no others. The value
// may come from paths and headings of logs, so nothing in it may be read by a shell or a
// terminal.
func Quoted(s string) string { return quotedFor(runtime.GOOS == "windows", s) }

func quotedFor(windows bool, s string) string {
	s = strings.Map(func(r rune) rune {
		if text.Hostile(r) {
			return -1 // nothing in it may steer a terminal
		}
		return r
	}, s)
	switch {
	case windows && plainPath.MatchString(s), !windows && plainWord.MatchString(s):
		return s
	case windows:
		// Programs there take a backslash before the closing quote for a part of the value.
		path := strings.TrimRight(s, `\`)
		return `"` + s + s[len(path):] + `"`
	case !strings.ContainsAny(s, "\"$`\\!"):
		return `"` + s + `"`
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
