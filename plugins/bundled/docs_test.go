package bundled_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/internal/testlab"
	"capd.example/plugins/bundled"
)

var update = flag.Bool("update", false, "rewrite the table of parameters in docs/validators.md")

// TestDocs keeps the table of parameters true.
func TestDocs(t *testing.T) {
	path := filepath.Join(testlab.Root(), "docs", "validators.md")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	const mark, end = "-run TestDocs -update -->\n", "\n<!-- end of what is generated -->\n"
	head, rest, begins := strings.Cut(string(text), mark)
	have, tail, ends := strings.Cut(rest, end)
	if !begins || !ends {
		t.Fatalf("%s has no place for the table", path)
	}
	want := tables()
	if *update {
		if err := os.WriteFile(path, []byte(head+mark+want+end+tail), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if have != want {
		t.Errorf("the tables of %s are not what the validators say: run go test ./plugins/bundled -run TestDocs -update", path)
	}
}

func tables() string {
	var b strings.Builder
	for _, v := range bundled.Validators() {
		d := v.Describe()
		fmt.Fprintf(&b, "\n### %s\n\n%s%s. Needs: %s.\n\n| parameter | default | unit | meaning |\n| --- | --- | --- | --- |\n",
			d.Name, strings.ToUpper(d.About[:1]), d.About[1:], strings.Join(d.Needs, "; "))
		for _, p := range d.Parameters {
			def := p.Default
			if def == "" {
				def = "(none)"
			}
			fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", p.Name, def, p.Unit, p.About)
		}
	}
	return b.String()
}
