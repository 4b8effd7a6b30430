// Package manual writes what belongs to a program's command line and is made from it: the
// manual page and the completions of shells.
package manual

import (
	"fmt"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// Forms are what can be written, by name.
var Forms = []string{"man", "bash", "zsh", "fish", "powershell"}

// Write returns one of the [Forms] of a program. Date, YYYY-MM-DD, and version stand in the
// manual page.
func Write(form string, app *kong.Application, date, version string) (string, error) {
	c := flatten(app)
	switch form {
	case "man":
		return man(app, c, date, version), nil
	case "bash":
		return bash(app.Name, c), nil
	case "zsh":
		return zsh(app.Name, c), nil
	case "fish":
		return fish(app.Name, c), nil
	case "powershell":
		return powershell(app.Name, c), nil
	}
	return "", fmt.Errorf("%q is none of %s", form, strings.Join(Forms, ", "))
}

// command is the program itself or one of its commands.
type command struct {
	path  string // "" or "lab send"
	help  string
	more  string // an example
	usage string // arguments
	subs  []word
	flags []flag
}

// word is something that can be typed.
type word struct{ name, help string }

type flag struct {
	word
	short  string
	value  string // what stands for it; "" where it takes none
	values []string
	files  bool // its value is a file or folder
}

// flatten lists the program and all its commands, each with all that can be typed there.
func flatten(app *kong.Application) (list []command) {
	var visit func(n *kong.Node, path string)
	visit = func(n *kong.Node, path string) {
		c := command{path: path, help: n.Help, more: n.Detail}
		for _, p := range n.Positional {
			c.usage += " " + p.Summary()
		}
		for _, f := range n.Flags {
			if !f.Hidden {
				c.flags = append(c.flags, flagsOf(f)...)
			}
		}
		if path == "" {
			c.flags = append([]flag{{word: word{"--help", "Show help."}, short: "-h"}}, c.flags...)
		}
		c.flags = slices.CompactFunc(c.flags, func(a, b flag) bool { return a.name == b.name })
		for _, sub := range n.Children {
			if !sub.Hidden {
				c.subs = append(c.subs, word{sub.Name, sub.Help})
			}
		}
		list = append(list, c)
		for _, sub := range n.Children {
			if !sub.Hidden {
				visit(sub, strings.TrimSpace(path+" "+sub.Name))
			}
		}
	}
	visit(app.Node, "")
	return list
}

func flagsOf(f *kong.Flag) []flag {
	out := flag{word: word{"--" + f.Name, f.Help}}
	if f.Short != 0 {
		out.short = "-" + string(f.Short)
	}
	if !f.IsBool() && !f.IsCounter() {
		out.value = strings.Trim(f.FormatPlaceHolder(), `"`)
		out.files = f.PlaceHolder == "FILE" || f.PlaceHolder == "DIR" || f.PlaceHolder == "FOLDER"
		if f.Enum != "" {
			out.values = f.EnumSlice()
		}
	}
	list := []flag{out}
	if f.Tag.Negatable != "" {
		list = append(list, flag{word: word{"--no-" + f.Name, "Not: " + f.Help}})
	}
	return list
}

// above returns the flags that are taken at a command: its own and those of what is above it.
func above(list []command, path string) (flags []flag) {
	for _, c := range list {
		if c.path == path || c.path == "" || strings.HasPrefix(path, c.path+" ") {
			flags = append(flags, c.flags...)
		}
	}
	return flags
}

// man writes a page for the macros of man(7).
func man(app *kong.Application, list []command, date, version string) string {
	var b strings.Builder
	fmt.Fprintf(&b, ".TH %s 1 %s \"%s\" \"User Commands\"\n", strings.ToUpper(app.Name), date, roff(app.Name+" "+version))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", app.Name, roff(strings.TrimRight(lowerFirst(app.Help), ".")))
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B %s\n[\\fIoptions\\fR] \\fIcommand\\fR [\\fIarguments\\fR]\n", app.Name)
	b.WriteString(".SH OPTIONS\n")
	options(&b, list[0].flags)
	b.WriteString(".SH COMMANDS\n")
	for _, c := range list[1:] {
		fmt.Fprintf(&b, ".SS %s %s%s\n%s\n", app.Name, roff(c.path), roff(c.usage), roff(c.help))
		if c.more != "" {
			fmt.Fprintf(&b, ".PP\n%s\n", roff(c.more))
		}
		options(&b, c.flags)
	}
	b.WriteString(".SH EXIT STATUS\n")
	for _, s := range []word{{"0", "done"}, {"1", "something was found, such as a bad pass, where the command says so"}, {"2", "wrong usage or configuration"}, {"3", "it could not be done"}} {
		fmt.Fprintf(&b, ".TP\n.B %s\n%s\n", s.name, s.help)
	}
	other := map[string]string{"capd": "capctl", "capctl": "capd"}[app.Name]
	if other != "" {
		fmt.Fprintf(&b, ".SH SEE ALSO\n.BR %s (1)\n", other)
	}
	return b.String()
}

func options(b *strings.Builder, flags []flag) {
	for _, f := range flags {
		name := `\fB` + roff(f.name) + `\fR`
		if f.short != "" {
			name = `\fB` + roff(f.short) + `\fR, ` + name
		}
		if f.value != "" {
			name += `=\fI` + roff(f.value) + `\fR`
		}
		fmt.Fprintf(b, ".TP\n%s\n%s\n", name, roff(f.help))
	}
}

// roff writes a text so that no part of it is taken for an instruction (groff_man(7)).
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, "-", `\-`, "\n", " ", `"`, `\(dq`, "'", `\(aq`, "^", `\(ha`, "~", `\(ti`).Replace(s)
	if strings.HasPrefix(s, ".") {
		s = `\&` + s
	}
	return s
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}
