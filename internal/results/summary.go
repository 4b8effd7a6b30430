package results

import (
	"fmt"

	"capd.example/analysis/summary"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
)

// PrintSentences prints the sentences of a summary, one a line.
func PrintSentences(a *cli.Streams, form output.Form, list []summary.Sentence) error {
	for _, s := range list {
		var err error
		switch {
		case form.JSON:
			err = output.JSON(a.Out, s)
		case form.Markdown:
			_, err = fmt.Fprintf(a.Out, "- %s\n", output.SafeMarkdown(s.Text))
		default:
			_, err = safe.Fprintln(a.Out, safe.Plain(s.Text))
		}
		if err != nil {
			return output.WriteError(err)
		}
	}
	return nil
}
