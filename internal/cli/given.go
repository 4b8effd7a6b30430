package cli

import (
	"path/filepath"
	"regexp"
	"slices"

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

// Quoted is [text.Quoted].
func Quoted(s string) string { return text.Quoted(s) }
