// Package testlab holds what tests share: check values, invented logs and fake benches.
// Nothing outside tests and the demo imports it.
package testlab

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// Case is one check value: a small input with the expected result and its source.
// The form is described in testdata/checks/README.md.
type Case struct {
	ID       string                     `json:"id"`
	Kind     string                     `json:"kind"`
	Source   string                     `json:"source"`
	Input    map[string]json.RawMessage `json:"input"`
	Expected map[string]json.RawMessage `json:"expected"`
	Tol      struct{ Rel, Abs float64 } `json:"tol"`
	Note     string                     `json:"note"`
}

// Root returns the repository's root folder.
func Root() string {
	_, file, _, _ := runtime.Caller(0)
	return filepath.Join(filepath.Dir(file), "..", "..")
}

// ChecksDir returns the folder of check values: CHECKS_DIR where it is set, else the
// one in testdata.
func ChecksDir() string {
	if d := os.Getenv("CHECKS_DIR"); d != "" {
		return d
	}
	return filepath.Join(Root(), "testdata", "checks")
}

// OwnChecks reports whether the check values are those of testdata, so that a test knows
// how many to expect.
func OwnChecks() bool { return os.Getenv("CHECKS_DIR") == "" }

// Checks runs fn as a subtest, named after the case and its source, on every case of a
// method. A reference to another case's input (a key ending in _ref) is resolved first.
func Checks(t *testing.T, method string, fn func(t *testing.T, c Case)) {
	t.Helper()
	cases := load(t, method)
	if len(cases) == 0 {
		t.Fatalf("no cases for %s in %s", method, ChecksDir())
	}
	for _, c := range cases {
		for key, raw := range c.Input {
			if !strings.HasSuffix(key, "_ref") {
				continue
			}
			var id string
			if err := json.Unmarshal(raw, &id); err != nil {
				t.Fatalf("%s: %s: %v", c.ID, key, err)
			}
			name := strings.TrimSuffix(key, "_ref")
			from := name
			if name == "frame_times" {
				from = "frame_ms"
			}
			target := find(t, id)
			v, ok := target.Input[from]
			if !ok {
				t.Fatalf("%s: case %s has no input %q", c.ID, id, from)
			}
			c.Input[from] = v
		}
		t.Run(c.ID[strings.Index(c.ID, "/")+1:], func(t *testing.T) {
			t.Helper()
			t.Logf("source (%s): %s", c.Kind, c.Source)
			fn(t, c)
		})
	}
}

func load(t *testing.T, method string) []Case {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(ChecksDir(), method+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var f struct{ Cases []Case }
	if err := json.Unmarshal(text, &f); err != nil {
		t.Fatalf("%s: %v", method, err)
	}
	return f.Cases
}

func find(t *testing.T, id string) Case {
	t.Helper()
	method, _, _ := strings.Cut(id, "/")
	for _, c := range load(t, method) {
		if c.ID == id {
			return c
		}
	}
	t.Fatalf("no case %s", id)
	return Case{}
}

// In decodes an input into v and fails the test when it is missing.
func (c Case) In(t *testing.T, key string, v any) {
	t.Helper()
	raw, ok := c.Input[key]
	if !ok {
		t.Fatalf("%s: no input %q", c.ID, key)
	}
	if err := json.Unmarshal(raw, v); err != nil {
		t.Fatalf("%s: input %q: %v", c.ID, key, err)
	}
}

// Has reports whether the case expects a value under key that is defined.
func (c Case) Has(key string) bool {
	raw, ok := c.Expected[key]
	return ok && string(raw) != "null"
}

// Want compares got with the expected number under key within the case's tolerance.
func (c Case) Want(t *testing.T, key string, got float64) {
	t.Helper()
	raw, ok := c.Expected[key]
	if !ok {
		t.Fatalf("%s: nothing expected under %q", c.ID, key)
	}
	want, err := number(raw)
	if err != nil {
		t.Fatalf("%s: expected %q: %v", c.ID, key, err)
	}
	if !c.Near(got, want) {
		t.Errorf("%s: %s = %.17g, want %.17g (%s)", c.ID, key, got, want, c.Source)
	}
}

// Near applies the case's tolerance.
func (c Case) Near(got, want float64) bool {
	if math.IsInf(want, 0) {
		return got == want
	}
	return math.Abs(got-want) <= math.Max(c.Tol.Rel*math.Abs(want), c.Tol.Abs)
}

func number(raw json.RawMessage) (float64, error) {
	var s string
	if json.Unmarshal(raw, &s) == nil {
		switch s {
		case "+Inf":
			return math.Inf(1), nil
		case "-Inf":
			return math.Inf(-1), nil
		}
		return 0, fmt.Errorf("%q is not a number", s)
	}
	var f float64
	err := json.Unmarshal(raw, &f)
	return f, err
}
