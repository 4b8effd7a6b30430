package main

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"capd.example/metrics"
	"capd.example/record"
	"capd.example/store"
)

// program runs capctl as its user does, since it starts itself for the validators.
func program(t *testing.T, dir string, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	c := exec.Command("capctl", append([]string{"--data", dir}, args...)...)
	c.Env = append(c.Environ(), "XDG_CONFIG_HOME="+t.TempDir())
	var out, msg bytes.Buffer
	c.Stdout, c.Stderr = &out, &msg
	var ended *exec.ExitError
	if err := c.Run(); err != nil && !errors.As(err, &ended) {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), out.String(), msg.String()
}

// passesWithLoad stores judged passes of one cell that ran long ago, a minute apart, and
// during which other programs took these shares of a core, in per cent.
func passesWithLoad(t *testing.T, dir string, load ...float64) (ids []string) {
	t.Helper()
	ctx := context.Background()
	s, err := store.Open(ctx, filepath.Join(dir, "passes.db"), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	rng := rand.New(rand.NewPCG(3, 4))
	for i, percent := range load {
		frames := record.Frames{MS: make([]float64, 1200), Decimals: 2}
		tele := &record.Telemetry{Series: []record.Series{{Name: record.SeriesBackground, Unit: "%", Source: "test"}}}
		at := time.Now().AddDate(0, 0, -60).Add(time.Duration(i) * time.Minute)
		for k := range frames.MS {
			frames.MS[k] = 10 + 2*rng.Float64()
		}
		for k := range 13 {
			tele.At = append(tele.At, at.Add(time.Duration(k)*time.Second))
			tele.Series[0].Values = append(tele.Series[0].Values, percent)
		}
		figures, err := metrics.Compute(frames)
		if err != nil {
			t.Fatal(err)
		}
		tags := record.Tags{"game": {Value: "Glass Halyard", From: record.FromPath}, "preset": {Value: "high", From: record.FromPath}}
		saved, err := s.Save(ctx, store.Arrival{
			Pass: record.Pass{SHA256: strings.Repeat(string("abcdef"[i])+"0", 32), Bench: "bench-a", Log: "/logs/a.csv", Tags: tags, Metrics: figures,
				StartedAt: at, EndedAt: at.Add(12 * time.Second), LogAt: at.Add(12 * time.Second)},
			Frames: frames, Telemetry: tele,
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, err := range []error{s.Finish(ctx, saved.ID, nil, record.Clean), s.MarkNotified(ctx, saved.ID)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		ids = append(ids, saved.ID)
	}
	return ids
}

func storedVerdict(t *testing.T, dir, id string) record.Pass {
	t.Helper()
	s, err := store.Open(context.Background(), filepath.Join(dir, "passes.db"), store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	p, err := s.Pass(context.Background(), id)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What the samples showed holds on when retention took them: a correction of the tags
// makes no clean pass of a bad one, and looking again finds nothing new.
func TestDroppedSamplesLeaveTheVerdict(t *testing.T) {
	dir := t.TempDir()
	ids := passesWithLoad(t, dir, 80, 80, 1)
	if status, out, msg := program(t, dir, "recheck", "--apply"); status != 0 {
		t.Fatalf("status %d: %s%s", status, out, msg)
	}
	for _, id := range ids[:2] {
		if p := storedVerdict(t, dir, id); p.Verdict != record.VerdictBad {
			t.Fatalf("with samples: %s, %+v", p.Verdict, p.Findings)
		}
	}
	quiet := storedVerdict(t, dir, ids[2])
	was := quiet.Verdict
	if was == record.VerdictBad {
		t.Fatalf("something else is bad as well: %+v", quiet.Findings)
	}
	if status, _, msg := program(t, dir, "retain", "--telemetry-days", "30", "--drop"); status != 0 || !strings.Contains(msg, "3 passes lost") {
		t.Fatalf("status %d: %s", status, msg)
	}
	if status, out, msg := program(t, dir, "recheck"); status != 0 || !strings.Contains(msg, "0 of 3 passes would get another verdict") {
		t.Errorf("looked at again, status %d: %s%s", status, out, msg)
	}
	status, out, msg := program(t, dir, "tag", ids[0], "preset=g9", "--new")
	if status != 0 || strings.Contains(out+msg, "was bad") {
		t.Errorf("status %d: %s%s", status, out, msg)
	}
	for i, id := range ids {
		p := storedVerdict(t, dir, id)
		if want := map[bool]record.Verdict{true: record.VerdictBad, false: was}[i < 2]; p.Verdict != want {
			t.Errorf("pass %d is %s, want %s: %+v", i, p.Verdict, want, p.Findings)
		}
		if f := byCheck(p.Findings)["background"]; !strings.Contains(f.Reason, "other programs took") || f.Numbers["median_core_percent"] == 0 {
			t.Errorf("pass %d: %+v", i, f)
		}
	}
}

// A campaign counts passes without its tag where they fit; such a pass keeps its samples.
func TestRetainLeavesWhatTheCampaignCounts(t *testing.T) {
	dir := t.TempDir()
	ids := passesWithLoad(t, dir, 1, 1)
	if status, _, msg := program(t, dir, "tag", ids[0], "game=Copper Drift", "--new"); status != 0 {
		t.Fatalf("status %d: %s", status, msg)
	}
	write := func(name, text string) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("campaign.toml", "name = \"spring\"\n[factors]\npreset = [\"low\", \"high\"]\n[[game]]\nname = \"Copper Drift\"\n")
	with := write("with.toml", "campaign = \"campaign.toml\"\n")
	for _, args := range [][]string{{}, {"--drop"}} {
		status, out, msg := program(t, dir, append([]string{"--config", with, "retain", "--telemetry-days", "30"}, args...)...)
		if status != 0 || strings.Contains(out, ids[0]) || !strings.Contains(out, ids[1]) || !strings.Contains(msg, "0 passes with a campaign tag, 1 without one that the campaign counts, 0 in a report") {
			t.Errorf("%v, status %d: %s%s", args, status, out, msg)
		}
	}
	if status, out, msg := program(t, dir, "retain", "--telemetry-days", "30"); status != 0 || !strings.Contains(out, ids[0]) || strings.Contains(out, ids[1]) || !strings.Contains(msg, "1 pass would lose") {
		t.Errorf("without a campaign, status %d: %s%s", status, out, msg)
	}
	broken := write("broken.toml", "campaign = \"nowhere.toml\"\n")
	if status, _, msg := program(t, dir, "--config", broken, "retain", "--telemetry-days", "30", "--drop"); status == 0 || strings.Contains(msg, "lost") {
		t.Errorf("a campaign that cannot be read protects nothing, status %d: %s", status, msg)
	}
}
