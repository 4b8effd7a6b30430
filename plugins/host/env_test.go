package host

import (
	"slices"
	"testing"
)

// TestEnvironmentOfValidators: the places that programs of Windows ask for are told, secrets are not.
func TestEnvironmentOfValidators(t *testing.T) {
	for _, name := range []string{"SystemDrive", "APPDATA", "LOCALAPPDATA", "ProgramData", "PATHEXT"} {
		t.Setenv(name, "there")
		if !slices.Contains(baseEnv("x"), name+"=there") {
			t.Errorf("%s is not told", name)
		}
	}
	t.Setenv("PGPASSWORD", "there")
	if slices.Contains(baseEnv("x"), "PGPASSWORD=there") {
		t.Error("a password is told")
	}
}
