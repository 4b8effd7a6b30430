package recording

import (
	"path/filepath"
	"regexp"
	"strings"
)

// WithoutFolders leaves folders out of a text, and what stands below them: their names may be
// those of people.
func WithoutFolders(text string, folders ...string) string {
	for _, folder := range folders {
		if len(folder) < 2 {
			continue // that would be everything
		}
		for _, form := range []string{folder, filepath.ToSlash(folder), strings.ReplaceAll(folder, `\`, `\\`)} {
			text = regexp.MustCompile(regexp.QuoteMeta(form)+`[^\s:;,"']*`).ReplaceAllString(text, "(a folder)")
		}
	}
	return text
}
