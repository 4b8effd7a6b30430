package results

import (
	"fmt"
	"strings"

	"capd.example/analysis/ready"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
)

// PrintConcerns prints what stands against publishing, one thing a line with what to do.
func PrintConcerns(a *cli.Streams, form output.Form, list []ready.Concern) error {
	for _, c := range list {
		var err error
		switch {
		case form.JSON:
			err = output.JSON(a.Out, c)
		case form.Markdown:
			text, advice := output.SafeMarkdown(c.Text), output.SafeMarkdown(c.Advice)
			_, err = fmt.Fprintf(a.Out, "- **%s**: %s. %s.%s\n", c.Kind, text, advice, noted(" Noted: %s.", c.Notes, output.SafeMarkdown))
		default:
			_, err = safe.Fprintf(a.Out, "%-10s  %s\n            -> %s\n", c.Kind, safe.Plain(c.Text), safe.Plain(c.Advice))
			if err == nil {
				_, err = fmt.Fprint(a.Out, noted("            noted: %s\n", c.Notes, safe.Plain))
			}
		}
		if err != nil {
			return output.WriteError(err)
		}
	}
	return nil
}

// noted puts each note into a frame of words.
func noted(frame string, notes []string, clean func(string) string) string {
	var b strings.Builder
	for _, n := range notes {
		fmt.Fprintf(&b, frame, strings.TrimRight(clean(n), ". "))
	}
	return b.String()
}
