package cli

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

// Joined errors stand on a line each, unless something is said about all of them.
func TestJoinedErrorsHaveALineEach(t *testing.T) {
	several := errors.Join(errors.New("one"), errors.New("two"))
	for want, err := range map[string]error{
		"p: error: one\np: error: two\np: hint: do\n": errors.Join(UsageError(several, "do")),
		"p: error: both: one two\n":                   fmt.Errorf("both: %w", several),
		"p: error: one\n":                             FailedError(errors.New("one")),
	} {
		var out strings.Builder
		if Status("p", err, &out, nil); out.String() != want {
			t.Errorf("got %q, want %q", out.String(), want)
		}
	}
}
