package winsys

import (
	"go/build"
	"go/parser"
	"go/token"
	"testing"
)

// TestOnly64Bits: structures are read as 64-bit programs see them, so a build for 32-bit Windows
// must fail: it alone takes in a file that names what is nowhere declared.
func TestOnly64Bits(t *testing.T) {
	const file = "need64_windows_386.go"
	for arch, want := range map[string]bool{"386": true, "amd64": false, "arm64": false} {
		c := build.Default
		c.GOOS, c.GOARCH = "windows", arch
		if got, err := c.MatchFile(".", file); err != nil || got != want {
			t.Errorf("%s: %v, %v", arch, got, err)
		}
	}
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.SkipObjectResolution)
	if err != nil || len(f.Decls) != 1 || len(f.Imports) != 0 {
		t.Errorf("%+v, %v", f, err)
	}
}
