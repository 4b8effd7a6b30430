//go:build linux

package host_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"capd.example/internal/testlab"
	"capd.example/plugins/host"
	"capd.example/plugins/plugintest"
	"capd.example/record"
)

// TestExamples builds both third-party examples as docs/validators.md says and asks them
// over mutual TLS about a pass in which each must find something.
func TestExamples(t *testing.T) {
	if testing.Short() {
		t.Skip("builds a program")
	}
	if err := exec.Command("/usr/bin/python3", "-c", "import grpc, google.protobuf").Run(); err != nil {
		t.Skip("Debian's python3-grpcio is not installed, which the Python example needs")
	}
	folder := filepath.Join(t.TempDir(), "validators")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	examples := filepath.Join(testlab.Root(), "examples")
	pinned := map[string]string{
		"evenness":    build(t, folder, "evenness", filepath.Join(examples, "go-validator"), "go", "build", "-buildvcs=false", "-o", filepath.Join(folder, "evenness"), "."),
		"alternation": build(t, folder, "alternation", examples, "/usr/bin/python3", "-m", "zipapp", "python-validator", "-p", "/usr/bin/python3", "-o", filepath.Join(folder, "alternation")),
	}
	h, err := host.New(host.Options{
		Folder: folder, Pinned: pinned, Deadline: 10 * time.Second, StartWithin: 60 * time.Second,
		Params: map[string]map[string]string{"evenness": {"ratio": "2.5"}, "alternation": {"limit": "-0.4"}},
		Logger: zerolog.New(zerolog.NewTestWriter(t)), TempDir: t.TempDir(),
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		h.Close()
		noChildren(t)
	}()
	described, err := h.Describe(t.Context())
	if err != nil || len(described) != 2 {
		t.Fatalf("described %v: %v", described, err)
	}
	ms := plugintest.Steady(90, 20, 1)
	for i := range ms {
		if i%2 == 0 {
			ms[i] *= 4
		}
	}
	got := byName(h.Check(t.Context(), plugintest.Pass(ms)))
	plugintest.Assert(t, got["alternation"], record.Doubtful, "long and short frames alternate", "(limit -0.40)")
	if got["alternation"].Params["limit"] != "-0.4" || got["alternation"].Version != "1" {
		t.Errorf("got %+v", got["alternation"])
	}
	plugintest.Assert(t, got["evenness"], record.OK, "(limit 2.5)")
	good := byName(h.Check(t.Context(), plugintest.Pass(plugintest.Steady(90, 20, 1))))
	plugintest.Assert(t, good["alternation"], record.OK)
	plugintest.Assert(t, good["evenness"], record.OK)
}

// build runs a command and returns the checksum of the program that it made.
func build(t *testing.T, folder, name, in string, command ...string) string {
	t.Helper()
	cmd := exec.Command(command[0], command[1:]...)
	cmd.Dir = in
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", command, err, out)
	}
	program, err := os.ReadFile(filepath.Join(folder, name))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(folder, name), 0o700); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(program)
	return hex.EncodeToString(sum[:])
}
