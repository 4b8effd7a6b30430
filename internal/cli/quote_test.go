package cli

import "testing"

func TestQuoted(t *testing.T) {
	for value, want := range map[string]string{
		"/mnt/c1.toml": "/mnt/c1.toml", "a b": `"a b"`, "it's": `"it's"`, "$HOME": `'$HOME'`, "a`b'c": `'a` + "`" + `b'\''c'`, "a\x1b[2Jb": `"a[2Jb"`, "a  b": `"a  b"`,
		"~x": `"~x"`, "a;b": `"a;b"`,
	} {
		if got := quotedFor(false, value); got != want {
			t.Errorf("%q: %s, want %s", value, got, want)
		}
	}
	// How programs there take a command line apart: Microsoft's page on the arguments of
	// main, from memory.
	for value, want := range map[string]string{
		`C:\bench\new`: `C:\bench\new`, `C:\my bench`: `"C:\my bench"`, `C:\my bench\`: `"C:\my bench\\"`, `C:\bench\`: `C:\bench\`, "a,b": `"a,b"`, "50%": `"50%"`,
	} {
		if got := quotedFor(true, value); got != want {
			t.Errorf("Windows, %q: %s, want %s", value, got, want)
		}
	}
}
