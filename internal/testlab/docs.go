package testlab

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/alecthomas/kong"
)

// Undocumented compares the commands of a program, as --help lists them, with README.md
// and docs: it names each command that none of them mentions as it is typed, and each
// command they mention that the program does not have.
func Undocumented(program string, grammar any) ([]string, error) {
	k, err := kong.New(grammar, kong.Name(program), kong.Vars{"version": ""})
	if err != nil {
		return nil, fmt.Errorf("describe the commands of %s: %w", program, err)
	}
	text, err := documentation()
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	var wrong []string
	for _, n := range k.Model.Leaves(true) {
		command := program + " " + commandOf(n)
		known[strings.Fields(command)[1]] = true
		if !regexp.MustCompile(regexp.QuoteMeta(command) + `\b`).MatchString(text) {
			wrong = append(wrong, "no page mentions '"+command+"'")
		}
	}
	for _, m := range regexp.MustCompile("[`'$] ?"+program+` ([a-z]+)\b`).FindAllStringSubmatch(text, -1) {
		if !known[m[1]] {
			wrong = append(wrong, fmt.Sprintf("a page mentions '%s %s', which is no command", program, m[1]))
		}
	}
	return wrong, nil
}

// commandOf is a command with those above it, without arguments.
func commandOf(n *kong.Node) string {
	if n.Parent == nil || n.Parent.Type == kong.ApplicationNode {
		return n.Name
	}
	return commandOf(n.Parent) + " " + n.Name
}

// documentation is the text of README.md and all pages of docs.
func documentation() (string, error) {
	pages, err := filepath.Glob(filepath.Join(Root(), "docs", "*.md"))
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, p := range append(pages, filepath.Join(Root(), "README.md")) {
		text, err := os.ReadFile(p)
		if err != nil {
			return "", fmt.Errorf("read the documentation: %w", err)
		}
		b.Write(text)
		b.WriteByte('\n')
	}
	return b.String(), nil
}
