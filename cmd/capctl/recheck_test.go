package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"capd.example/internal/judging"
	"capd.example/plugins"
	"capd.example/plugins/serve"
	"capd.example/record"
	"capd.example/store"
)

// A verdict may come from a check that says what it always said, when a worse one is gone:
// the row names it all the same.
func TestRecheckNamesWhatDecides(t *testing.T) {
	dir := t.TempDir()
	ids := passesWithLoad(t, dir, 20, 80)
	s, err := store.Open(context.Background(), filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	stored := []record.Finding{
		{Check: "background", Outcome: record.Doubtful, Reason: "busy"},
		{Check: "retired", Outcome: record.Bad, Reason: "frames are missing"},
	}
	if err := s.ReplaceFindings(context.Background(), ids[0], stored, record.VerdictBad, "test", "mo"); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	status, out, msg := program(t, dir, "recheck")
	if status != 1 || !strings.Contains(out, "doubtful now: background: other programs took 20 %") || !strings.Contains(out, "retired: bad -> (none)") {
		t.Errorf("status %d: %s%s", status, out, msg)
	}
	if strings.Contains(out, "bad now: background") { // among the changes already
		t.Errorf("named twice: %s", out)
	}
	_, out, _ = program(t, dir, "recheck", "--json")
	if strings.Count(out, `"decides":"background: other programs took`) != 2 {
		t.Errorf("%s", out)
	}
}

// serveBrittle is a program with one validator that says and does what it is set to.
func serveBrittle() { serve.Validators(brittle{}) }

type brittle struct{}

func (brittle) Describe() plugins.Description {
	return plugins.Description{Name: "loose-cable", Version: "1", About: "says what it is set to say, or crashes",
		Parameters: []plugins.Parameter{
			{Name: "says", Type: plugins.Text, Default: "bad", About: "its outcome"},
			{Name: "crashes", Type: plugins.Number, Default: "0", About: "1: it crashes"},
		}}
}

func (brittle) Check(_ context.Context, _ record.Evidence, p plugins.Params) record.Finding {
	if p.Number("crashes") == 1 {
		os.Exit(9)
	}
	return record.Finding{Outcome: record.Outcome(p.Text("says")), Reason: "the cable was looked at"}
}

// A validator that crashes, or cannot be started, makes no bad pass clean: neither where
// passes are checked again nor where their tags are corrected or a correction is taken
// back. The other checks run, the user is told, and looking again makes it good.
func TestNoAnswerLeavesFindings(t *testing.T) {
	dir := t.TempDir()
	ids := passesWithLoad(t, dir, 80, 1, 1)
	self, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(dir, "validators")
	file := "brittle"
	if runtime.GOOS == "windows" {
		file += ".exe"
	}
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, file), self, 0o700); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(self)
	with := func(name, pin, more string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		text := fmt.Sprintf("[checks]\nfolder = '%s'\ndeadline_s = 60\nrequired = []\noff = ['clock']\n[checks.pinned]\n%q = %q\n%s", folder, file, pin, more)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	pin := hex.EncodeToString(sum[:])
	good := with("good.toml", pin, "")
	crashes := with("crashes.toml", pin, "[checks.params.loose-cable]\ncrashes = \"1\"\n")
	unknown := with("unknown.toml", strings.Repeat("0", 64), "")
	fine := with("fine.toml", pin, "[checks.params.loose-cable]\nsays = \"ok\"\n")

	verdicts := func(want ...record.Verdict) {
		t.Helper()
		for i, id := range ids {
			if p := storedVerdict(t, dir, id); p.Verdict != want[i] {
				t.Errorf("pass %d is %s, want %s: %+v", i, p.Verdict, want[i], p.Findings)
			}
		}
	}
	found := func(check string) record.Finding { return byCheck(storedVerdict(t, dir, ids[1]).Findings)[check] }
	bad := []record.Verdict{record.VerdictBad, record.VerdictBad, record.VerdictBad}

	if status, out, msg := program(t, dir, "--config", good, "recheck", "--apply"); status != 0 {
		t.Fatalf("status %d: %s%s", status, out, msg)
	}
	verdicts(bad...)
	was, others := found("loose-cable"), found("duplicate")
	for _, x := range []struct{ config, why string }{{crashes, "crashed (exit status 9)"}, {unknown, "its SHA-256 is"}} {
		status, out, msg := program(t, dir, "--config", x.config, "recheck", "--apply", "--json")
		if status != 3 || !strings.Contains(msg, x.why) || strings.Count(out, `"now":"bad"`) != 3 || strings.Count(out, `"no_answer":{`) != 3 {
			t.Errorf("recheck, status %d: %s%s", status, out, msg)
		}
		verdicts(bad...)

		status, out, msg = program(t, dir, "--config", x.config, "tag", ids[1], "preset=g9", "--new", "--json")
		if status != 3 || !strings.Contains(msg, x.why) || !strings.Contains(out, `"then":"bad","no_answer":{`) {
			t.Errorf("tag, status %d: %s%s", status, out, msg)
		}
		again := regexp.MustCompile(`(?m)hint: correct it, then type: .*recheck --apply (.*)$`).FindStringSubmatch(msg)
		if again == nil || !strings.Contains(again[1], ids[1]) || !strings.Contains(again[1], ids[2]) || strings.Contains(again[1], ids[0]) {
			t.Errorf("what to do: %v in %s", again, msg) // the corrected pass and the later one of the cell that it left
		}
		verdicts(bad...)
		if f := found("duplicate"); judging.SameFinding(f, others) { // its new cell has no other pass
			t.Errorf("the other checks did not run: %+v", f)
		}

		change := regexp.MustCompile(`tag --undo (\w+)`).FindStringSubmatch(msg)
		if change == nil {
			t.Fatalf("the correction is not named: %s", msg)
		}
		status, _, msg = program(t, dir, "--config", x.config, "tag", "--undo", change[1])
		if status != 3 || !strings.Contains(msg, x.why) || !strings.Contains(msg, "undone for 1 pass") {
			t.Errorf("undo, status %d: %s", status, msg)
		}
		verdicts(bad...)
		for _, f := range []record.Finding{was, others} {
			if g := found(f.Check); !judging.SameFinding(f, g) {
				t.Errorf("%+v, was %+v", g, f)
			}
		}
	}
	if status, out, msg := program(t, dir, "--config", fine, "recheck", "--apply"); status != 0 {
		t.Fatalf("status %d: %s%s", status, out, msg)
	}
	verdicts(record.VerdictBad, record.Clean, record.Clean) // other programs were at work during the first
}
