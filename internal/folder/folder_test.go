package folder_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"capd.example/internal/folder"
)

func TestNeverThroughALinkNorOverOthersFiles(t *testing.T) {
	link := func(to, at string) func(t *testing.T, dir, victim string) {
		return func(t *testing.T, dir, victim string) {
			if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, at)), 0o777); err != nil {
				t.Fatal(err)
			}
			if to == "" {
				to = victim
			}
			if err := os.Symlink(to, filepath.Join(dir, at)); err != nil {
				t.Skipf("no links here: %v", err)
			}
		}
	}
	put := func(at string) func(t *testing.T, dir, victim string) {
		return func(t *testing.T, dir, victim string) {
			if err := os.Link(victim, filepath.Join(dir, at)); err != nil {
				t.Skipf("no hard links here: %v", err)
			}
		}
	}
	for name, c := range map[string]struct {
		before, between func(t *testing.T, dir, victim string)
	}{
		"link as the page":                  {before: link("", "index.html")},
		"link into the folder":              {before: link("notes.txt", "index.html")},
		"link to nothing":                   {before: link("nowhere", "index.html")},
		"folder is a link":                  {before: link("..", "charts")},
		"folder is a link into the folder":  {before: link("data", "charts")},
		"nested link":                       {before: link("", "charts/a.svg")},
		"somebody's page":                   {before: put("index.html")},
		"link between the writes":           {between: link("", "index.html")},
		"nested link between the writes":    {between: link("", "charts/a.svg")},
		"somebody's page between the write": {between: put("index.html")},
	} {
		t.Run(name, func(t *testing.T) {
			outer := t.TempDir()
			dir, victim := filepath.Join(outer, "out"), filepath.Join(outer, "victim.txt")
			if err := os.MkdirAll(filepath.Join(dir, "data"), 0o777); err != nil {
				t.Fatal(err)
			}
			for _, file := range []string{victim, filepath.Join(dir, "notes.txt")} {
				if err := os.WriteFile(file, []byte("mine"), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			if c.before != nil {
				c.before(t, dir, victim)
			}
			err := func() error {
				f, err := folder.Open(dir, func(string) bool { return name == "nested link" || name == "link as the page" })
				if err != nil {
					return err
				}
				defer f.Close()
				for _, file := range []string{"index.html", "charts/a.svg"} {
					if err := f.Put(file, []byte("ours")); err != nil {
						return err
					}
				}
				if c.between != nil {
					c.between(t, dir, victim)
				}
				return f.Commit("index.html")
			}()
			if !errors.Is(err, folder.ErrNotOurs) {
				t.Errorf("%v", err)
			}
			for _, file := range []string{victim, filepath.Join(dir, "notes.txt")} {
				if text, err := os.ReadFile(file); err != nil || string(text) != "mine" {
					t.Errorf("%s: %q, %v", file, text, err)
				}
			}
			if _, err := os.Stat(filepath.Join(outer, "a.svg")); err == nil {
				t.Error("a file was written outside")
			}
			if left, _ := filepath.Glob(filepath.Join(dir, "*.part")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

// TestFolderThatIsExchanged: what takes a folder's name while it is written to gets nothing.
func TestFolderThatIsExchanged(t *testing.T) {
	outer := t.TempDir()
	dir, elsewhere := filepath.Join(outer, "out"), filepath.Join(outer, "elsewhere")
	if err := os.MkdirAll(elsewhere, 0o777); err != nil {
		t.Fatal(err)
	}
	f, err := folder.Open(dir, func(string) bool { return false })
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Put("charts/a.svg", []byte("ours")); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(filepath.Join(dir, "charts"), filepath.Join(dir, "gone")); err != nil {
		t.Skipf("an open folder keeps its name here: %v", err)
	}
	if err := os.Symlink(elsewhere, filepath.Join(dir, "charts")); err != nil {
		t.Skipf("no links here: %v", err)
	}
	if err := f.Put("charts/b.svg", []byte("ours")); err != nil {
		t.Fatal(err)
	}
	if err := f.Commit(""); err != nil {
		t.Fatal(err)
	}
	if there, _ := os.ReadDir(elsewhere); len(there) > 0 {
		t.Errorf("written elsewhere: %v", there)
	}
}

func TestOursIsReplacedAndLeftoversGo(t *testing.T) {
	dir := t.TempDir()
	leftover := filepath.Join(dir, ".capd-abcdefghijklmnopqrstuvwxyz.part")
	for _, file := range []string{leftover, filepath.Join(dir, "index.html"), filepath.Join(dir, ".capd-mine.part")} {
		if err := os.WriteFile(file, []byte("before"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f, err := folder.Open(dir, func(path string) bool { return path == "index.html" })
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Put("index.html", []byte("after")); err != nil {
		t.Fatal(err)
	}
	if text, _ := os.ReadFile(filepath.Join(dir, "index.html")); string(text) != "before" {
		t.Errorf("before the end: %q", text)
	}
	if err := f.Commit("index.html"); err != nil {
		t.Fatal(err)
	}
	f.Close()
	if text, _ := os.ReadFile(filepath.Join(dir, "index.html")); string(text) != "after" {
		t.Errorf("%q", text)
	}
	if all, _ := os.ReadDir(dir); len(all) != 2 {
		t.Errorf("%v", all)
	}
}
