package config

import (
	"strings"
	"testing"
)

func TestTrust(t *testing.T) {
	for text, want := range map[string]string{
		"":                                 "",
		"plan path header detected hand":   "",
		"detected plan path header hand":   "",
		"plan path header detected":        `"hand" is missing`,
		"plan path header hand hand":       `"hand" is there twice`,
		"plan path header detected rumour": `"rumour" is none of`,
	} {
		c := Default()
		c.Tags.Trust = strings.Fields(text)
		err := c.Check()
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), "tags.trust: "+want)) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
