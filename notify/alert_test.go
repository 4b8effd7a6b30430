package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode"

	"capd.example/record"
)

func TestLine(t *testing.T) {
	bad, _ := FromPass(badPass(3), noon)
	p := badPass(1)
	p.Verdict, p.Findings = record.Unverified, []record.Finding{{Check: "thermal", Outcome: record.NotChecked, Reason: "no telemetry"}}
	unverified, _ := FromPass(p, noon)
	p.Findings = append([]record.Finding{{Check: "agreement", Outcome: record.NotChecked, Reason: "first pass"}}, p.Findings...)
	if required, _ := FromPass(p, noon, "completeness", "thermal"); Line(required) != Line(unverified) {
		t.Errorf("a check that is not required is given as the reason: %s", Line(required))
	}
	p.Tags = nil
	p.Verdict, p.Findings = record.VerdictBad, []record.Finding{
		{Check: "a", Outcome: record.Bad, Reason: "x"}, {Check: "b", Outcome: record.Bad, Reason: "y", Advice: "do z"}, {Check: "c", Outcome: record.Bad}}
	several, _ := FromPass(p, noon)
	q := p
	q.Tags = record.Tags{record.TagGame: {Value: "Nimbus Drift"}}
	numberless, _ := FromPass(q, noon)
	tests := map[string]Alert{
		"BAD pass 3 of Nimbus Drift 1440p [000000000000]: 24.1 s of 60 s were logged (completeness) -> repeat the pass":                bad,
		"UNVERIFIED pass 1 of Nimbus Drift 1440p [000000000000]: no telemetry (thermal) -> look at it with: capctl show 000000000000":  unverified,
		"BAD log logs/pass1.csv [000000000000]: x (a); also b, c -> do z":                                                              several,
		"BAD log pass1.csv of Nimbus Drift [000000000000]: x (a); also b, c -> do z":                                                   numberless,
		"UNREADABLE log x.csv cannot be read: line 3: no numbers -> repeat the pass, or declare the log's layout in the configuration": FromUnreadable("b", "x.csv", "", errors.New("line 3:\nno numbers"), noon),
		"CHANGED bench bench-a has changed: driver was 1.0, is 1.1; memory was 6000 MT/s, is unknown -> if you did not mean this, put it back and repeat the passes since, from log logs/pass1.csv [000000000000]": FromChanges(p, []record.Change{
			{Name: "driver", Old: record.Field{Value: "1.0"}, New: record.Field{Value: "1.1"}},
			{Name: "memory", Old: record.Field{Value: "6000", Unit: "MT/s"}},
		}, noon),
		"TROUBLE store is full -> free some space": FromTrouble("b", "store is full", "free some space", noon),
	}
	for want, a := range tests {
		if got := Line(a); got != want {
			t.Errorf("Line = %s\n  want %s", got, want)
		}
	}
	p.Verdict, p.Findings = record.VerdictBad, []record.Finding{
		{Check: "a", Outcome: record.Bad, Reason: "x", Advice: "repeat the pass"}, {Check: "b", Outcome: record.Bad, Reason: "y", Advice: "repeat the pass"},
		{Check: "c", Outcome: record.Bad, Reason: "z", Advice: "move the log"}, {Check: "d", Outcome: record.Bad, Reason: "u", Advice: "rest"}}
	if both, _ := FromPass(p, noon); both.Advice != "repeat the pass; move the log" {
		t.Errorf("the remedies of two checks: %q", both.Advice)
	}
	p.Verdict = record.Clean
	if _, ok := FromPass(p, noon); ok {
		t.Error("a clean pass makes an alert")
	}
}

// What a log or a plugin says must not break the line or steer the terminal.
func FuzzLineIsOneLine(f *testing.F) {
	f.Add("two\nlines", "\x1b[2Jgone\x07", "\u202eright to left\xff")
	f.Fuzz(func(t *testing.T, reason, advice, game string) {
		p := badPass(1)
		p.Tags[record.TagGame] = record.Tag{Value: game}
		p.Findings = []record.Finding{{Check: reason, Outcome: record.Bad, Reason: reason, Advice: advice}}
		a, _ := FromPass(p, noon)
		for _, r := range Line(a) {
			if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
				t.Fatalf("%U in %q", r, Line(a))
			}
		}
	})
}

func TestIdentity(t *testing.T) {
	a, _ := FromPass(badPass(1), noon)
	b, _ := FromPass(badPass(1), noon.AddDate(1, 0, 0))
	if a.ID != b.ID {
		t.Error("the same verdict on the same pass has two identities")
	}
	p := badPass(1)
	p.Revision = 1
	grown, _ := FromPass(p, noon)
	p = badPass(1)
	p.Verdict = record.VerdictDoubtful
	other, _ := FromPass(p, noon)
	second, _ := FromPass(badPass(2), noon)
	for _, x := range []Alert{grown, other, second} {
		if x.ID == a.ID {
			t.Errorf("two alerts have one identity: %s", Line(x))
		}
	}
}

// Commands and web hooks get the pass itself, with the alert beside its fields.
func TestPayload(t *testing.T) {
	a, _ := FromPass(badPass(1), noon)
	body, err := Payload(a)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		record.Pass
		Alert Alert
	}
	if err := json.Unmarshal(body, &got); err != nil {
		t.Fatal(err)
	}
	if got.Verdict != record.VerdictBad || len(got.Findings) != 3 || got.Alert.ID != a.ID || got.Alert.Pass != nil {
		t.Errorf("payload %s", body)
	}
	if body, err = Payload(FromTrouble("b", "x", "y", noon)); err != nil || bytes.Contains(body, []byte("sha256")) {
		t.Errorf("payload without a pass: %s, %v", body, err)
	}
}

func TestTerminal(t *testing.T) {
	var plain, rich strings.Builder
	a := badAlert(1)
	if err := (Terminal{Out: &plain}).Send(context.Background(), a); err != nil {
		t.Fatal(err)
	}
	if plain.String() != Line(a)+"\n" {
		t.Errorf("plain: %q", plain.String())
	}
	if err := (Terminal{Out: &rich, Colour: true, Bell: true}).Send(context.Background(), a); err != nil {
		t.Fatal(err)
	}
	if rich.String() != "\x1b[1;31m"+Line(a)+"\x1b[0m\a\n" {
		t.Errorf("rich: %q", rich.String())
	}
}

// At a terminal every word of an alert is there, no line is too wide, and configuration
// lines can be copied as they are.
func TestTerminalPage(t *testing.T) {
	settings := []string{"# 60 FPS\n[[layout]]\ncolumn = \"frame  time\"", "[[layout]]\ncolumn = \"2\x1b[2J\""}
	a := FromUnreadable("b", "logs/x.csv", "", errors.New("more than one column could be the frame time, and nothing says which"), noon, settings...)
	for _, width := range []int{0, 10, 40, 80, 200} {
		var out strings.Builder
		if err := (Terminal{Out: &out, Width: func() int { return width }}).Send(context.Background(), a); err != nil {
			t.Fatal(err)
		}
		text, below, ok := strings.Cut(out.String(), "\n\n")
		if want := noon.Local().Format("15:04:05") + " " + Line(a); !ok || strings.Join(strings.Fields(text), " ") != want {
			t.Errorf("width %d: %q", width, text)
		}
		for _, line := range strings.Split(text, "\n") {
			if width >= 40 && len(line) > width {
				t.Errorf("width %d: %q", width, line)
			}
		}
		if want := "    # 60 FPS\n    [[layout]]\n    column = \"frame  time\"\n\n    [[layout]]\n    column = \"2\uFFFD[2J\"\n\n"; below != want {
			t.Errorf("width %d: settings %q", width, below)
		}
	}
	body, err := Payload(a)
	var got struct{ Alert Alert }
	if err != nil || json.Unmarshal(body, &got) != nil || len(got.Alert.Settings) != 2 || got.Alert.Settings[0] != settings[0] {
		t.Errorf("payload %s, %v", body, err)
	}
}

func TestRule(t *testing.T) {
	bad := badAlert(1)
	p := badPass(1)
	p.Verdict = record.Unverified
	unverified, _ := FromPass(p, noon)
	trouble := FromTrouble("bench-a", "x", "y", noon)
	tests := []struct {
		name string
		rule Rule
		a    Alert
		want bool
	}{
		{"everything", Rule{}, bad, true},
		{"its verdict", Rule{Verdicts: []record.Verdict{record.VerdictBad}}, bad, true},
		{"another verdict", Rule{Verdicts: []record.Verdict{record.VerdictBad}}, unverified, false},
		{"verdicts do not hold trouble back", Rule{Verdicts: []record.Verdict{record.VerdictBad}}, trouble, true},
		{"its bench", Rule{Benches: []string{"x", "bench-*"}}, bad, true},
		{"another bench", Rule{Benches: []string{"bench-b"}}, bad, false},
		{"its campaign", Rule{Campaigns: []string{"spring"}}, bad, true},
		{"another campaign", Rule{Campaigns: []string{"autumn"}}, bad, false},
		{"no campaign", Rule{Campaigns: []string{"spring"}}, trouble, false},
		{"any campaign", Rule{Campaigns: []string{"*"}}, trouble, true},
		{"a test always", Rule{Benches: []string{"bench-b"}}, FromTest("bench-a", noon), true},
	}
	for _, tt := range tests {
		if got := tt.rule.Wants(tt.a); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}
