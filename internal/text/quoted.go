package text

import (
	"regexp"
	"runtime"
	"strings"
)

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
		if Hostile(r) {
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
