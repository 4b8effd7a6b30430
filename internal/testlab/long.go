package testlab

import (
	"os"
	"testing"
)

// Long reports whether the long versions of tests are asked for: CAPD_LONG=1.
func Long(t testing.TB) bool {
	t.Helper()
	return os.Getenv("CAPD_LONG") == "1"
}
