package fence

import (
	"bufio"
	"fmt"
	"go/scanner"
	"go/token"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"capd.example/internal/testlab"
)

// Limits of the house, so that a newcomer finds any behaviour in few files. Lines of code are
// those that are neither blank nor wholly a comment, without tests and generated files.
const (
	roomLines  = 2500 // of one package
	chainLimit = 6    // packages from a program to the last one that it reaches
	testsOfOne = 0.55 // lines of test for a line of code, in all
)

// rooms have a limit of their own: a program that holds flags, settings and exit statuses
// alone.
var rooms = map[string]int{"cmd/capd": 350, "cmd/capctl": 4500}

func TestRoomsFit(t *testing.T) {
	code, tests := lines(t)
	all, tested := 0, 0
	for room, n := range code {
		all, tested = all+n, tested+tests[room]
		limit, own := rooms[room]
		if !own {
			limit = roomLines
		}
		if n > limit {
			t.Errorf("%s has %d lines of code, more than %d: give a part of it a room of its own", room, n, limit)
		}
	}
	for room := range rooms {
		if code[room] == 0 {
			t.Errorf("%s has no code: take its limit out of this test", room)
		}
	}
	if is := float64(tested) / float64(all); is < testsOfOne {
		t.Errorf("%.2f lines of test for a line of code, less than %.2f", is, testsOfOne)
	}
}

// goFiles lists the written Go files of the project.
func goFiles(t *testing.T) (files []string) {
	t.Helper()
	cmd := exec.Command("git", "ls-files", "*.go")
	cmd.Dir = testlab.Root()
	out, err := cmd.Output()
	if err != nil {
		t.Skipf("the files of the project are not known without git: %v", err)
	}
	for _, file := range strings.Fields(string(out)) {
		if !strings.HasSuffix(file, ".pb.go") {
			files = append(files, file)
		}
	}
	return files
}

// lines counts the lines of code and of tests by package.
func lines(t *testing.T) (code, tests map[string]int) {
	t.Helper()
	code, tests = map[string]int{}, map[string]int{}
	for _, file := range goFiles(t) {
		to := code
		if strings.HasSuffix(file, "_test.go") {
			to = tests
		}
		n, err := linesOf(filepath.Join(testlab.Root(), filepath.FromSlash(file)))
		if os.IsNotExist(err) {
			continue // deleted, and not yet committed
		} else if err != nil {
			t.Fatal(err)
		}
		to[path.Dir(file)] += n
	}
	if len(code) < 10 {
		t.Fatalf("only %d packages were counted", len(code))
	}
	return code, tests
}

func linesOf(file string) (n int, err error) {
	f, err := os.Open(file)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	comment := false
	lines := bufio.NewScanner(f)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		switch s := strings.TrimSpace(lines.Text()); {
		case comment:
			comment = !strings.Contains(s, "*/")
		case s == "" || strings.HasPrefix(s, "//"):
		case strings.HasPrefix(s, "/*"):
			comment = !strings.Contains(s, "*/")
		default:
			n++
		}
	}
	return n, lines.Err()
}

func TestChainsOfImportsAreShort(t *testing.T) {
	imports := map[string][]string{}
	eachPackage(t, func(name string, list []string) {
		for _, imp := range list {
			if other, ours := strings.CutPrefix(imp, module); ours {
				imports[name] = append(imports[name], other)
			}
		}
	})
	longest := map[string][]string{}
	var chain func(name string) []string
	chain = func(name string) []string {
		if known, ok := longest[name]; ok {
			return known
		}
		var best []string
		for _, imp := range imports[name] {
			if c := chain(imp); len(c) > len(best) {
				best = c
			}
		}
		longest[name] = append([]string{name}, best...)
		return longest[name]
	}
	for name := range imports {
		if c := chain(name); len(c) > chainLimit {
			t.Errorf("a chain of %d imports, more than %d: %s", len(c), chainLimit, strings.Join(c, " > "))
		}
	}
	if c := chain("cmd/capd"); !slices.Contains(c, "agent") {
		t.Errorf("no chain from capd to the agent was found: %v", c)
	}
}

// TestDevelopersKnowTheRooms: DEVELOPERS.md names every package of the repository.
func TestDevelopersKnowTheRooms(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(testlab.Root(), "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	var known []string
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "| `") {
			continue
		}
		cell, _, _ := strings.Cut(line[2:], " |")
		for i, word := range strings.Split(cell, "`") {
			if i%2 == 1 {
				known = append(known, strings.TrimSuffix(word, "/"))
			}
		}
	}
	eachPackage(t, func(name string, _ []string) {
		if !slices.ContainsFunc(known, func(k string) bool { return below(name, k) }) {
			t.Errorf("DEVELOPERS.md does not say what lives in %s", name)
		}
	})
	for _, k := range known {
		if strings.ContainsAny(k, ". ") {
			continue // a file, in the way of a log
		}
		if info, err := os.Stat(filepath.Join(testlab.Root(), filepath.FromSlash(k))); err != nil || !info.IsDir() {
			t.Errorf("DEVELOPERS.md names the folder %s, which is not there", k)
		}
	}
}

// lineLimit is how wide a line may be. One that holds a long string may be wider: a sentence,
// a query or a tag of a struct reads worse in pieces.
const (
	lineLimit  = 120
	longString = 40
	stillWider = 110 // lines of code that are; tests are not counted yet
)

func TestLinesAreNotTooWide(t *testing.T) {
	var wide []string
	for _, file := range goFiles(t) {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(testlab.Root(), filepath.FromSlash(file)))
		if os.IsNotExist(err) {
			continue // deleted, and not yet committed
		} else if err != nil {
			t.Fatal(err)
		}
		var long []int // lines with a part of a long string
		files := token.NewFileSet()
		at := files.AddFile(file, -1, len(text))
		var s scanner.Scanner
		s.Init(at, text, nil, 0)
		for pos, tok, lit := s.Scan(); tok != token.EOF; pos, tok, lit = s.Scan() {
			if tok == token.STRING && len(lit) >= longString {
				for n := range strings.Count(lit, "\n") + 1 {
					long = append(long, at.Line(pos)+n)
				}
			}
		}
		for i, line := range strings.Split(string(text), "\n") {
			if n := utf8.RuneCountInString(line); n > lineLimit && !slices.Contains(long, i+1) {
				wide = append(wide, fmt.Sprintf("%s:%d (%d)", file, i+1, n))
			}
		}
	}
	if len(wide) > stillWider {
		t.Errorf("%d lines of code are wider than %d columns, more than the %d that were left: break yours\n%s",
			len(wide), lineLimit, stillWider, strings.Join(wide, "\n"))
	}
}
