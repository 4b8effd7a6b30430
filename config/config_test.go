package config

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf16"
)

// All that is wrong is found at once, whatever part of the file it is in, and each line names
// file and key.
func TestAllWrongSettingsAreNamed(t *testing.T) {
	file := filepath.Join(t.TempDir(), "capd.toml")
	text := `
bench = ""
[files]
quiet_s = -1
latest_s = -2
[expect]
passes = 0
refresh_hz = [60, 0]
[checks]
memory_mb = 1
[notify]
secret = "s"
verdicts = ["bad", "ugly"]
[notify.rules.pigeon]
[store]
log_days = -1
[lab]
address = "mysql://h/d"
[system.must]
"a b" = "1"
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Load(file)
	if err == nil {
		t.Fatal("nothing is wrong")
	}
	lines := strings.Split(err.Error(), "\n")
	keys := []string{"bench", "files.quiet_s", "files.latest_s", "expect.passes", "expect.refresh_hz[1]", "checks.memory_mb",
		"notify.secret", "notify.verdicts", "notify.rules.pigeon", "store.log_days", "lab.address", "system.must"}
	if len(lines) != len(keys) {
		t.Errorf("%d lines for %d wrong settings:\n%v", len(lines), len(keys), err)
	}
	for i, key := range keys {
		if i < len(lines) && !strings.HasPrefix(lines[i], "configuration "+file+": "+key) {
			t.Errorf("line %d does not name %s: %s", i, key, lines[i])
		}
	}
	if c, err := Read(file); err != nil || c.Expect.Passes != 0 {
		t.Errorf("reading alone: %v, %d", err, c.Expect.Passes)
	}
}

// TestWrittenByWindows: what editors and shells of Windows write is read as the same text: a
// byte order mark, UTF-16 of either order (Unicode Standard, section 23.8), lines of CR LF.
func TestWrittenByWindows(t *testing.T) {
	const text = "bench = \"blä\"\r\n[expect]\r\npasses = 5\r\n"
	wide := func(order binary.AppendByteOrder) []byte {
		b := order.AppendUint16(nil, 0xFEFF)
		for _, u := range utf16.Encode([]rune(text)) {
			b = order.AppendUint16(b, u)
		}
		return b
	}
	for name, data := range map[string][]byte{
		"plain": []byte(text), "mark": []byte("\xef\xbb\xbf" + text),
		"UTF-16": wide(binary.LittleEndian), "UTF-16 from the other end": wide(binary.BigEndian),
	} {
		file := filepath.Join(t.TempDir(), "capd.toml")
		if err := os.WriteFile(file, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if c, err := Read(file); err != nil || c.Bench != "blä" || c.Expect.Passes != 5 {
			t.Errorf("%s: bench %q, %d passes, %v", name, c.Bench, c.Expect.Passes, err)
		}
		cut := filepath.Join(t.TempDir(), "cut.toml")
		if err := os.WriteFile(cut, data[:len(data)-9], 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(cut); err == nil || !strings.Contains(err.Error(), "line 3") && !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%s, cut: %v", name, err)
		}
	}
}
