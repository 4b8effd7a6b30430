package efficiency

import (
	"fmt"
	"os"
	"testing"
)

// TestStandIn: the call is made as documented, for this process on and off, by what
// testdata/kernel.c of sysinfo noted.
func TestStandIn(t *testing.T) {
	file := os.Getenv("EFFICIENCY_FILE")
	if file == "" {
		t.Skip("needs the stand-in for kernel32.dll: scripts/wine-check.sh")
	}
	before, _ := os.ReadFile(file)
	for _, on := range []bool{true, false} {
		if err := Self(on); err != nil {
			t.Fatal(err)
		}
	}
	after, err := os.ReadFile(file)
	if want := fmt.Sprintf("%[1]d on\n%[1]d off\n", os.Getpid()); err != nil || string(after[len(before):]) != want {
		t.Errorf("%q, %v, want %q", after[len(before):], err, want)
	}
}
