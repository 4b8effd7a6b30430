package main

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"capd.example/internal/cli"
)

// Every command stands under a heading of --help and shows an example that can be typed.
func TestEveryCommandHasAnExample(t *testing.T) {
	k, err := kong.New(new(grammar), groups, kong.Exit(func(int) {}), kong.Vars{"version": ""})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range k.Model.Leaves(false) {
		if n.ClosestGroup() == nil {
			t.Errorf("%s stands under no heading", n.Path())
		}
		example := n.Tag.Get("example")
		args := words(example)
		if len(args) == 0 || !strings.HasPrefix(example, "capctl "+n.Path()) {
			t.Errorf("%s: %q is no example of it", n.Path(), example)
			continue
		}
		var g grammar
		if _, _, err := cli.Parse("capctl", "", &g, args[1:], io.Discard, io.Discard); err != nil {
			t.Errorf("%s: %v", example, err)
		}
		var help bytes.Buffer
		if _, done, _ := cli.Parse("capctl", "", &g, append(strings.Fields(n.Path()), "--help"), &help, io.Discard); !done || !strings.Contains(help.String(), "Example: "+example) {
			t.Errorf("the help of %s does not show it:\n%s", n.Path(), help.String())
		}
	}
}

// words splits a line as a shell does that knows double quotes and where output goes.
func words(line string) (out []string) {
	line, _, _ = strings.Cut(line, ">")
	var word strings.Builder
	inside, begun := false, false
	for _, c := range line + " " {
		switch {
		case c == '"':
			inside, begun = !inside, true
		case c == ' ' && !inside:
			if begun {
				out = append(out, word.String())
			}
			word.Reset()
			begun = false
		default:
			word.WriteRune(c)
			begun = true
		}
	}
	return out
}
