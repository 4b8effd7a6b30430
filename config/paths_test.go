package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestWindowsPaths: a path whose backslashes TOML took for something else is refused, with
// how it is written; in single quotes it stays as it is.
func TestWindowsPaths(t *testing.T) {
	load := func(text string) (Config, error) {
		path := filepath.Join(t.TempDir(), "capd.toml")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return Load(path)
	}
	for _, text := range []string{
		`data = "C:\Users\me"`,
		`watch = "C:\logs"`,
		`data = "C:\bench\new"`,
		"[checks]\n" + `folder = "D:\tools"`,
	} {
		if _, err := load(text); err == nil || !strings.Contains(err.Error(), "single quotes") {
			t.Errorf("%s: %v", text, err)
		}
	}
	c, err := load(`data = 'C:\bench\new'`)
	if err != nil || !strings.HasSuffix(c.Data, `C:\bench\new`) {
		t.Errorf("%q, %v", c.Data, err)
	}
}

// Every folder and file of the configuration counts from where the file lies.
func TestPathsCountFromTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "capd.toml")
	if err := os.WriteFile(path, []byte("data = \"d\"\nwatch = \"w\"\ncampaign = \"c.toml\"\n[checks]\nfolder = \"own\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Load(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{c.Data, c.Watch, c.Campaign, c.Checks.Folder} {
		if filepath.Dir(p) != filepath.Dir(path) {
			t.Errorf("%s does not count from the configuration file", p)
		}
	}
}
