package lab_test

import (
	"errors"
	"os"
	"strings"
	"sync"
	"testing"

	"capd.example/internal/testlab/postgres"
)

// server is started once for all tests; they use databases of their own.
var server = sync.OnceValues(postgres.Begin)

func TestMain(m *testing.M) {
	code := m.Run()
	if s, err := server(); err == nil {
		s.End()
	}
	os.Exit(code)
}

// address returns the address of a new, empty database.
func address(t testing.TB) string {
	t.Helper()
	s, err := server()
	if errors.Is(err, postgres.ErrMissing) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	name := strings.ToLower(strings.NewReplacer("/", "_", "-", "_", "#", "_").Replace(t.Name()))
	a, err := s.Create(name[max(0, len(name)-60):])
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// ask runs SQL with the rights of the address's user and returns the first column.
func ask(t testing.TB, address, text string) []string {
	t.Helper()
	out, err := postgres.Ask(address, text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return out
}
