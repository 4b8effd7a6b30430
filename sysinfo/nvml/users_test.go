package nvml

import (
	"testing"
	"time"
)

// TestUsersHere tells what a reading of the machine's own card costs and says, where there
// is one (go test -v -run UsersHere).
func TestUsersHere(t *testing.T) {
	lib, why := here(t, File())
	if lib == nil {
		t.Skipf("no NVIDIA card here: %s", why.Text)
	}
	users := NewUsers(lib, 0)
	for i := range 4 {
		start := time.Now()
		use, why, ok := users.Read(start.Add(time.Duration(i) * 10 * time.Second))
		t.Logf("a reading took %s: %+v, %+v, %v", time.Since(start), use, why, ok)
	}
	start := time.Now()
	busy := users.link(lib.devices[0])
	t.Logf("of it the link %s: %g B/s", time.Since(start), busy)
	start = time.Now()
	users.contexts(lib.devices[0])
	t.Logf("of it the contexts %s: %+v", time.Since(start), users.holds)
}
