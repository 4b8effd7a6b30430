package config

import (
	"os"
	"path/filepath"
	"testing"
)

// A configuration is written by hand: whatever stands in it, it is refused with a message
// or holds only what [Config.Check] accepts.
func FuzzLoad(f *testing.F) {
	f.Add([]byte("bench = \"b\"\nwatch = 'logs'\n[tags]\npaths = [\"{game}/{resolution}-{preset}/pass{pass}.csv\"]\n[expect]\nduration_s = 60\n"))
	f.Add([]byte("[notify]\ncommand = [\"/bin/true\"]\nweb_hook = \"https://a.example/\"\n[notify.rules.terminal]\nverdicts = [\"bad\"]\n"))
	f.Add([]byte("watch = \"C:\\Users\\me\"\n[[layout]]\nname = \"mine\"\ncolumn = \"3\"\nkind = \"duration\"\nunit = \"ms\"\n"))
	f.Add([]byte("[checks.params.thermal]\nx = \"y\"\n[lab]\naddress = \"postgres://u:p@localhost/lab\"\n[files]\nquiet_s = -1\n"))
	path := filepath.Join(f.TempDir(), "capd.toml")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := Load(path)
		if err != nil {
			if err.Error() == "" {
				t.Error("refused without a word")
			}
			return
		}
		if err := c.Check(); err != nil {
			t.Errorf("taken although %v", err)
		}
	})
}
