package main

import (
	"os/exec"
	"strings"
	"testing"
)

// TestQuotedIsOneHarmlessWord: what a hint says to type reaches a program as it was, also
// where the value, from somebody's log, is written to be more than a value.
func TestQuotedIsOneHarmlessWord(t *testing.T) {
	shell, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell to ask")
	}
	for _, v := range []string{"Lantern 60", "1080p", "`echo x`", "$(echo x)", "#1", "~", "{a,b}", "a'b", "-x", "a;b", "!!", "Ödland", ""} {
		out, err := exec.Command(shell, "-c", "printf %s --base="+quoted(v)).Output()
		if got, ok := strings.CutPrefix(string(out), "--base="); err != nil || !ok || got != v {
			t.Errorf("%q typed as %s arrives as %q (%v)", v, quoted(v), out, err)
		}
	}
	if got := quoted("a\x1b[31m\nb"); strings.ContainsAny(got, "\x1b\n") {
		t.Errorf("control characters in %q", got)
	}
}
