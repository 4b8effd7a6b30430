package manual

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

type grammar struct {
	Config string `placeholder:"FILE" help:"Configuration file: a 'quoted' one."`
	Secret string `hidden:""`
	Lab    struct {
		Send struct {
			Level string   `enum:"low,high" default:"low" help:"How much."`
			ID    []string `arg:"" optional:"" help:"Passes."`
		} `cmd:"" help:"Send what is new; .ends with a dot"`
	} `cmd:"" help:"The lab."`
	Run struct {
		Verbose bool `short:"v" help:"Say more \\n and a ^ and a ~."`
	} `cmd:"" help:"Run it."`
	Keep struct{} `cmd:"" hidden:""`
}

func write(t *testing.T, form string) string {
	t.Helper()
	k, err := kong.New(&grammar{}, kong.Name("prog"), kong.Description("Does things."))
	if err != nil {
		t.Fatal(err)
	}
	text, err := Write(form, k.Model, "2026-01-02", "v1")
	if err != nil {
		t.Fatal(err)
	}
	for _, hidden := range []string{"secret", "keep"} {
		if strings.Contains(text, hidden) {
			t.Errorf("%s: %s is hidden", form, hidden)
		}
	}
	if again, _ := Write(form, k.Model, "2026-01-02", "v1"); again != text {
		t.Errorf("%s is written differently each time", form)
	}
	return text
}

// Bash itself completes with what is written.
func TestBash(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip(err)
	}
	file := filepath.Join(t.TempDir(), "completion")
	if err := os.WriteFile(file, []byte(write(t, "bash")), 0o600); err != nil {
		t.Fatal(err)
	}
	for typed, want := range map[string]string{
		"prog ":                       "lab run --help --config",
		"prog r":                      "run",
		"prog --config lab r":         "run",
		"prog lab ":                   "send --help --config",
		"prog lab send --l":           "--level",
		"prog lab send --level ":      "low high",
		"prog lab send --level h":     "high",
		"prog lab send --level low -": "--help --config --level",
		"prog run -":                  "--help --config --verbose",
		"prog run --config ":          "",
	} {
		words := strings.Split(typed, " ")
		c := exec.Command(bash, "--norc", "-c", `source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _prog; echo "${COMPREPLY[@]}"`, "bash", file)
		c.Args = append(c.Args, words...)
		out, err := c.CombinedOutput()
		if got := strings.TrimSpace(string(out)); err != nil || got != want {
			t.Errorf("%q: %q, %v, want %q", typed, got, err, want)
		}
	}
}

// The manual page makes man complain of nothing and shows what it was given.
func TestMan(t *testing.T) {
	page := write(t, "man")
	man, err := exec.LookPath("man")
	if err != nil {
		t.Skip("needs Debian's package man-db:", err)
	}
	file := filepath.Join(t.TempDir(), "prog.1")
	if err := os.WriteFile(file, []byte(page), 0o600); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(man, "--warnings", "-l", file)
	c.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MANWIDTH=80")
	var complaints bytes.Buffer
	c.Stderr = &complaints
	out, err := c.Output()
	if err != nil || complaints.Len() > 0 {
		t.Errorf("%v\n%s", err, complaints.String())
	}
	for _, want := range []string{"does things", "a 'quoted' one", `Say more \n and a ^ and a ~.`, "prog lab send", "--level="} {
		if !strings.Contains(string(out), want) {
			t.Errorf("%q is not shown in\n%s", want, out)
		}
	}
}

// What the other shells get is well formed as far as it can be told here.
func TestOtherShells(t *testing.T) {
	for form, want := range map[string][]string{
		"zsh":        {"#compdef prog", "'run:Run it.'", `'--config:Configuration file\: a '\''quoted'\'' one.'`},
		"fish":       {"complete -c prog -n '__prog_at lab' -f -a 'send'", `-l 'config' -d 'Configuration file: a \'quoted\' one.' -r`},
		"powershell": {"Register-ArgumentCompleter -Native -CommandName 'prog'", "'Configuration file: a ''quoted'' one.'"},
	} {
		text := write(t, form)
		for _, w := range want {
			if !strings.Contains(text, w) {
				t.Errorf("%s lacks %s:\n%s", form, w, text)
			}
		}
		if shell, err := exec.LookPath(form); err == nil && form != "powershell" {
			c := exec.Command(shell, "-n")
			c.Stdin = strings.NewReader(text)
			if out, err := c.CombinedOutput(); err != nil {
				t.Errorf("%s: %v\n%s", form, err, out)
			}
		}
	}
}
