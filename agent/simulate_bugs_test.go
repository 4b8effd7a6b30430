package agent

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
)

// plantedBugs are patches, each of which makes the agent wrong in one way that must never
// happen. They verify the verifier: what finds none of them finds nothing.
func plantedBugs(t *testing.T) []string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(testlab.Root(), "agent/testdata/bugs/*.patch"))
	if err != nil || len(list) < 10 {
		t.Fatalf("%d planted bugs, %v", len(list), err)
	}
	return list
}

// apply applies a patch in a folder; lines may have moved.
func apply(dir, patch string, more ...string) error {
	c := exec.Command("git", append(append([]string{"apply", "-C1", "--recount"}, more...), patch)...)
	c.Dir = dir
	c.Env = append(os.Environ(), "GIT_CEILING_DIRECTORIES="+filepath.Dir(dir))
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", filepath.Base(patch), err, out)
	}
	return nil
}

// TestPlantedBugsFitTheCode: a patch that fits no more plants nothing.
func TestPlantedBugsFitTheCode(t *testing.T) {
	if _, err := exec.LookPath("git"); err != nil {
		t.Skip("git is not installed")
	}
	for _, patch := range plantedBugs(t) {
		if err := apply(testlab.Root(), patch, "--check"); err != nil {
			t.Errorf("%v\nmake it anew: plant the bug by hand, then git diff -U2", err)
		}
	}
}

// mostSeeds is within how many seeds a planted bug must be found.
const mostSeeds = 1000

// TestPlantedBugsAreFound plants each bug in a copy of the tree and demands that the
// simulation finds it.
func TestPlantedBugsAreFound(t *testing.T) {
	if !testlab.Long(t) {
		t.Skip("takes many minutes: CAPD_LONG=1 runs it")
	}
	tree := filepath.Join(t.TempDir(), "tree")
	copyTree(t, testlab.Root(), tree)
	for _, patch := range plantedBugs(t) {
		t.Run(strings.TrimSuffix(filepath.Base(patch), ".patch"), func(t *testing.T) {
			if err := apply(tree, patch); err != nil {
				t.Fatal(err)
			}
			defer func() {
				if err := apply(tree, patch, "-R"); err != nil {
					t.Fatal(err)
				}
			}()
			program := filepath.Join(t.TempDir(), "simulation")
			build := exec.Command("go", "test", "-c", "-o", program, "./agent")
			build.Dir = tree
			if out, err := build.CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			began := time.Now()
			for first := 0; first < mostSeeds; first += 20 {
				run := exec.Command(program, "-test.run", "^TestSimulation$", "-test.failfast", "-shorten=false", "-seeds", "20", "-seed", strconv.Itoa(first))
				run.Dir = filepath.Join(tree, "agent")
				out, err := run.CombinedOutput()
				if err == nil {
					continue
				}
				seed := regexp.MustCompile(`seed (\d+) \(again`).FindSubmatch(out)
				if seed == nil {
					t.Fatalf("it fails by itself: %v: %s", err, out)
				}
				t.Logf("found by seed %s, %s", seed[1], time.Since(began).Round(time.Second))
				return
			}
			t.Errorf("not found within %d seeds", mostSeeds)
		})
	}
}

// copyTree copies what a build needs.
func copyTree(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(to, ".git")); err != nil {
		t.Fatal(err)
	}
}
