package machinetest

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Layout holds numbers of ours against what a C compiler for 64-bit Windows makes of its headers:
// each key is an expression such as offsetof(MIB_IF_ROW2, InOctets).
func Layout(t testing.TB, headers []string, want map[string]int) {
	t.Helper()
	cc, err := exec.LookPath("x86_64-w64-mingw32-gcc")
	if err != nil {
		t.Skip("no compiler for Windows (gcc-mingw-w64-x86-64) to hold the structures against")
	}
	var c strings.Builder
	c.WriteString("#define WIN32_LEAN_AND_MEAN\n#define _WIN32_WINNT 0x0A00\n") // a fraction of the headers, as of Windows 10
	for _, h := range append([]string{"stddef.h"}, headers...) {
		fmt.Fprintf(&c, "#include <%s>\n", h)
	}
	for _, expr := range slices.Sorted(maps.Keys(want)) {
		fmt.Fprintf(&c, "_Static_assert((%s) == %d, %q);\n", expr, want[expr], expr)
	}
	file := filepath.Join(t.TempDir(), "layout.c")
	if err := os.WriteFile(file, []byte(c.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(cc, "-fsyntax-only", "-I", Path(""), file).CombinedOutput(); err != nil {
		t.Errorf("the headers say otherwise:\n%s", out)
	}
}
