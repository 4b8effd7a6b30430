package plugintest

import (
	"context"
	"strings"
	"testing"

	"capd.example/plugins"
	"capd.example/record"
)

// Check has v examine e with the given settings, as the agent would.
func Check(t testing.TB, v plugins.Validator, e record.Evidence, settings map[string]string) record.Finding {
	t.Helper()
	return plugins.Run(context.Background(), v, e, settings)
}

// Assert fails the test unless the finding has the outcome and its reason holds every one
// of the phrases.
func Assert(t testing.TB, f record.Finding, want record.Outcome, phrases ...string) {
	t.Helper()
	if f.Outcome != want {
		t.Errorf("%s: outcome %q, want %q: %s", f.Check, f.Outcome, want, f.Reason)
	}
	for _, phrase := range phrases {
		if !strings.Contains(f.Reason, phrase) {
			t.Errorf("%s: the reason lacks %q: %s", f.Check, phrase, f.Reason)
		}
	}
}
