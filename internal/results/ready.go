package results

import (
	"fmt"

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
			_, err = fmt.Fprintf(a.Out, "- **%s**: %s. %s.\n", c.Kind, text, advice)
		default:
			_, err = safe.Fprintf(a.Out, "%-10s  %s\n            -> %s\n", c.Kind, safe.Plain(c.Text), safe.Plain(c.Advice))
		}
		if err != nil {
			return output.WriteError(err)
		}
	}
	return nil
}
