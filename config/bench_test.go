package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSystem(t *testing.T) {
	load := func(text string) (Config, error) {
		file := filepath.Join(t.TempDir(), "capd.toml")
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return Load(file)
	}
	c, err := load("[system.declared]\ncooler = \"Nordwind 360\"\n[system.must]\n\"memory.configured_speed\" = \"6000\"\n")
	if err != nil {
		t.Fatal(err)
	}
	if c.System.Declared["cooler"] != "Nordwind 360" || c.System.Must["memory.configured_speed"] != "6000" {
		t.Errorf("%+v", c.System)
	}
	for _, bad := range []struct{ text, key string }{
		{"[system.declared]\ncooler = \" \"\n", "system.declared.cooler"},
		{"[system.must]\n\"two words\" = \"x\"\n", "two words"},
	} {
		if _, err := load(bad.text); err == nil || !strings.Contains(err.Error(), bad.key) {
			t.Errorf("%q: %v", bad.text, err)
		}
	}
}
