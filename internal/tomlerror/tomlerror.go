// Package tomlerror says for people what is wrong in a TOML file of theirs: with line, column and
// key, and without the names of a programming language.
package tomlerror

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// Explain turns an error of the TOML reader into one that names every place; others it returns as
// they are. About adds to an unknown key what is known of it, "" for nothing; it may be nil.
func Explain(err error, about func(key string) string) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) {
		var all []string
		for _, e := range strict.Errors {
			row, col := e.Position()
			key := strings.Join(e.Key(), ".")
			text := fmt.Sprintf("line %d, column %d: unknown key %q", row, col, key)
			if about != nil {
				text += about(key)
			}
			all = append(all, text)
		}
		return errors.New(strings.Join(all, "; "))
	}
	var dec *toml.DecodeError
	if errors.As(err, &dec) {
		row, col := dec.Position()
		text := plainly(dec.Error())
		if key := strings.Join(dec.Key(), "."); key != "" {
			text = key + ": " + text
		}
		return fmt.Errorf("line %d, column %d: %s", row, col, text)
	}
	return err
}

var wrongType = regexp.MustCompile(`cannot decode TOML (\w+) into (?:a Go value|struct field \S+) of type (\S+)`)

// wrongEscape knows what the TOML reader says of "C:\Users" in double quotes.
var wrongEscape = regexp.MustCompile(`escape|unicode point`)

// AsPath tells how paths of Windows are written.
const AsPath = `write Windows paths in single quotes, as in 'C:\bench', or with /`

// plainly takes the names of Go's types out of a message of the TOML reader.
func plainly(text string) string {
	text = strings.TrimPrefix(text, "toml: ")
	m := wrongType.FindStringSubmatch(text)
	if m == nil {
		if wrongEscape.MatchString(text) {
			text += "; in double quotes \\ is no plain character: " + AsPath
		}
		return text
	}
	wanted := map[string]string{"float64": "a number", "int": "a whole number", "bool": "true or false",
		"string": "text in quotes"}[m[2]]
	if wanted == "" {
		wanted = "another kind of value"
	}
	article := "a"
	if strings.ContainsAny(m[1][:1], "aeiou") {
		article = "an"
	}
	return "needs " + wanted + ", not " + article + " " + m[1]
}
