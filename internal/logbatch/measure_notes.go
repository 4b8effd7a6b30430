package logbatch

import (
	"fmt"
	"io"
	"strings"

	"capd.example/record"
)

// notes collects what is said about single logs, so that a folder of a thousand does not
// fill the screen with one line a thousand times: logs of which the same is said share a
// line, which names the first of them.
type notes struct {
	texts []string // in the order in which they came up
	files map[string][]string
}

// namedLogs is how many logs a line names; noteLines how many lines are printed.
const namedLogs, noteLines = 3, 10

func (n *notes) add(file, text string) {
	if n.files == nil {
		n.files = map[string][]string{}
	}
	if len(n.files[text]) == 0 {
		n.texts = append(n.texts, text)
	}
	n.files[text] = append(n.files[text], file)
}

// print writes them behind a beginning such as "capctl: note: ".
func (n *notes) print(out io.Writer, begin string) error {
	for i, text := range n.texts {
		if i == noteLines {
			_, err := fmt.Fprintf(out, "%sand %d more; --json lists all\n", begin, len(n.texts)-i)
			return err
		}
		files := n.files[text]
		line := files[0] + ": " + text
		if len(files) > 1 {
			line = fmt.Sprintf("%s: %s: %s", record.Count(len(files), "log"), text, someOf(files, namedLogs))
		}
		if _, err := fmt.Fprintf(out, "%s%s\n", begin, line); err != nil {
			return err
		}
	}
	return nil
}

// someOf names the first few of many.
func someOf(names []string, most int) string {
	if len(names) <= most {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
}
