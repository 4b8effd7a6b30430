package text

import (
	"os/exec"
	"strings"
	"testing"
)

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

// TestQuotedIsOneHarmlessWord: what a hint says to type reaches a program as it was, also
// where the value, from somebody's log, is written to be more than a value.
func TestQuotedIsOneHarmlessWord(t *testing.T) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell to ask")
	}
	for _, v := range []string{"Lantern 60", "1080p", "`echo x`", "$(echo x)", "#1", "~", "{a,b}", "a'b", "-x", "a;b", "!!", "Ödland", ""} {
		out, err := exec.Command(shell, "-c", "printf %s --base="+Quoted(v)).Output()
		if got, ok := strings.CutPrefix(string(out), "--base="); err != nil || !ok || got != v {
			t.Errorf("%q typed as %s arrives as %q (%v)", v, Quoted(v), out, err)
		}
	}
	if got := Quoted("a\x1b[31m\nb"); strings.ContainsAny(got, "\x1b\n") {
		t.Errorf("control characters in %q", got)
	}
}
