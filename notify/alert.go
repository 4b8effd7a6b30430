package notify

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"capd.example/internal/text"
	"capd.example/record"
)

// Kind says what an alert is about.
type Kind string

// The kinds.
const (
	BadPass        Kind = "bad-pass"
	DoubtfulPass   Kind = "doubtful-pass"
	UnverifiedPass Kind = "unverified-pass" // a required check could not run
	UnreadableLog  Kind = "unreadable-log"
	Changed        Kind = "configuration-changed" // the bench is not what it was for the pass before
	Trouble        Kind = "trouble"               // the agent cannot do its work
	OtherVerdict   Kind = "other-verdict"         // a pass that was told about has another verdict now
	Test           Kind = "test"                  // somebody tries a channel
)

// Alert is one message for people.
type Alert struct {
	ID     string    `json:"id"` // the same alert has the same identity, also after a crash
	Kind   Kind      `json:"kind"`
	At     time.Time `json:"at"`
	Bench  string    `json:"bench,omitempty"`
	Text   string    `json:"text"`             // what is wrong, one line
	Advice string    `json:"advice,omitempty"` // what to do next
	// Settings are configuration lines to choose one of, each some lines of TOML.
	Settings []string `json:"settings,omitempty"`
	Cause    string   `json:"cause,omitempty"` // alerts of one cause can be grouped
	Count    int      `json:"count,omitempty"` // alerts that this one stands for; 0 for itself
	Log      string   `json:"log,omitempty"`
	// Was is the verdict that the pass had before, of OtherVerdict.
	Was  record.Verdict `json:"was,omitempty"`
	Pass *record.Pass   `json:"pass,omitempty"`
}

// mostAdvice is how many remedies an alert names: a pass that is bad for two reasons may
// need both, and a longer line is not read.
const mostAdvice = 2

// FromPass makes the alert about a judged pass; ok is false for a clean one. Required
// names the checks without which a pass is unverified, so that an alert about that gives
// the reason of one of them; without names any check that could not run may be it.
func FromPass(p record.Pass, at time.Time, required ...string) (a Alert, ok bool) {
	kinds := map[record.Verdict]Kind{
		record.VerdictBad: BadPass, record.VerdictDoubtful: DoubtfulPass, record.Unverified: UnverifiedPass,
	}
	kind, ok := kinds[p.Verdict]
	if !ok {
		return Alert{}, false
	}
	found := worst(p.Findings)
	if kind == UnverifiedPass && len(required) > 0 {
		found = slices.DeleteFunc(found, func(f record.Finding) bool { return !slices.Contains(required, f.Check) })
	}
	a = Alert{
		ID: identity(string(kind), p.SHA256, strconv.Itoa(p.Revision)), Kind: kind, At: at.UTC(),
		Bench: p.Bench, Log: p.Log, Pass: &p,
	}
	var checks []string
	for _, f := range found {
		checks = append(checks, f.Check)
	}
	slices.Sort(checks)
	a.Cause = string(kind) + ":" + strings.Join(slices.Compact(checks), "+")
	a.Text = PassName(p) + ": " + reasons(found)
	var advice []string
	for _, f := range found {
		if f.Advice != "" && !slices.Contains(advice, text.Line(f.Advice)) && len(advice) < mostAdvice {
			advice = append(advice, text.Line(f.Advice))
		}
	}
	a.Advice = strings.Join(advice, "; ")
	if a.Advice == "" {
		a.Advice = "look at it with: capctl show " + p.ID
	}
	return a, true
}

// Settled reports whether the alert told of a verdict that was taken back: its pass, which has
// the verdict now, is clean, and nothing is left to be done.
func (a Alert) Settled(now record.Verdict) bool {
	switch a.Kind {
	case BadPass, DoubtfulPass, UnverifiedPass:
		return now == record.Clean
	case OtherVerdict:
		return now == record.Clean && a.Pass != nil && a.Pass.Verdict != record.Clean
	}
	return false
}

// FromMoved makes the alert about a pass that has another verdict than people were told,
// because of another pass of its cell or a correction.
func FromMoved(p record.Pass, was record.Verdict, at time.Time, required ...string) Alert {
	a, doubt := FromPass(p, at, required...)
	if doubt {
		a.Text += "; it was " + string(was)
	} else {
		a = Alert{At: at.UTC(), Bench: p.Bench, Log: p.Log, Pass: &p, Advice: "you need not do anything"}
		a.Text = PassName(p) + " is clean again"
		for _, f := range p.Findings {
			if f.Check == "agreement" {
				a.Text += ": " + text.Line(f.Reason)
			}
		}
	}
	a.Kind, a.Was = OtherVerdict, was
	a.ID = identity(string(OtherVerdict), p.SHA256, strconv.Itoa(p.Revision), string(was), string(p.Verdict), a.Text)
	a.Cause = string(OtherVerdict) + ":" + string(p.Verdict)
	return a
}

// FromUnreadable makes the alert about a log that could not be read; content tells its
// bytes from others at the same place. Settings are configuration lines, one of which would
// make it readable.
func FromUnreadable(bench, log, content string, why error, at time.Time, settings ...string) Alert {
	advice := "repeat the pass, or declare the log's layout in the configuration"
	if len(settings) > 0 {
		advice = "add the settings of the right layout to the configuration and start the agent again; 'capctl layout' with this log lists them"
	}
	return Alert{
		ID: identity(string(UnreadableLog), bench, log, content, why.Error()), Kind: UnreadableLog, At: at.UTC(),
		Bench: bench, Log: log,
		Text:   text.Line(fmt.Sprintf("log %s cannot be read: %v", log, why)),
		Advice: advice, Settings: settings,
		Cause: string(UnreadableLog),
	}
}

// FromChanges makes the alert about a bench that is not what it was for the pass before.
func FromChanges(p record.Pass, changes []record.Change, at time.Time) Alert {
	var parts []string
	for _, c := range changes {
		parts = append(parts, fmt.Sprintf("%s was %s, is %s", c.Name, shown(c.Old), shown(c.New)))
	}
	return Alert{
		ID: identity(string(Changed), p.SHA256, strings.Join(parts, ";")), Kind: Changed, At: at.UTC(), Bench: p.Bench,
		Log: p.Log, Pass: &p,
		Text:   text.Line("bench " + p.Bench + " has changed: " + strings.Join(parts, "; ")),
		Advice: "if you did not mean this, put it back and repeat the passes since, from " + PassName(p),
		Cause:  string(Changed),
	}
}

// FromTrouble makes the alert about something that keeps the agent from its work.
func FromTrouble(bench, what, advice string, at time.Time) Alert {
	return Alert{
		ID: identity(string(Trouble), bench, what, at.UTC().Format(time.RFC3339Nano)), Kind: Trouble, At: at.UTC(),
		Bench: bench, Text: text.Line(what), Advice: text.Line(advice), Cause: string(Trouble) + ":" + what,
	}
}

// FromTest makes an alert that tries a channel.
func FromTest(bench string, at time.Time) Alert {
	return Alert{
		ID: identity(string(Test), bench, at.UTC().Format(time.RFC3339Nano)), Kind: Test, At: at.UTC(), Bench: bench,
		Text: "this is a test of the alerts of bench " + text.Line(bench), Advice: "you need not do anything",
	}
}

func shown(f record.Field) string {
	if f.Value == "" {
		return "unknown"
	}
	return strings.TrimSpace(f.Value + " " + f.Unit)
}

// worst returns the findings that made the verdict.
func worst(findings []record.Finding) []record.Finding {
	for _, o := range []record.Outcome{record.Bad, record.Doubtful, record.NotChecked} {
		var out []record.Finding
		for _, f := range findings {
			if f.Outcome == o {
				out = append(out, f)
			}
		}
		if len(out) > 0 {
			return out
		}
	}
	return nil
}

func reasons(found []record.Finding) string {
	if len(found) == 0 {
		return "a required check did not run"
	}
	first := text.Line(found[0].Reason) + " (" + text.Line(found[0].Check) + ")"
	if len(found) == 1 {
		return first
	}
	var more []string
	for _, f := range found[1:] {
		more = append(more, text.Line(f.Check))
	}
	return first + "; also " + strings.Join(more, ", ")
}

// PassName names a pass the way its reviewer would, in one line. Where its number is not
// known, its log's name tells it from the others of its cell.
func PassName(p record.Pass) string {
	var parts []string
	named := false
	for _, tag := range []string{record.TagGame, record.TagScene, record.TagResolution, record.TagPreset,
		record.TagGraphics} {
		if v := p.Tags.Value(tag); v != "" {
			parts, named = append(parts, v), true
		}
	}
	if !named {
		parts = append(parts, p.Log)
	}
	of := "log " + filepath.Base(p.Log) + " of "
	if n := p.Tags.Value(record.TagPass); n != "" {
		of = "pass " + n + " of "
	} else if !named {
		of = "log "
	}
	return text.Line(of+strings.Join(parts, " ")) + " [" + p.ID + "]"
}

var words = map[Kind]string{
	GoodPass: "GOOD", BadPass: "BAD", DoubtfulPass: "DOUBTFUL", UnverifiedPass: "UNVERIFIED", UnreadableLog: "UNREADABLE",
	Changed: "CHANGED", OtherVerdict: "NOW", Trouble: "TROUBLE", Test: "TEST",
}

// Line is the alert as one readable line: what, why and what to do next.
func Line(a Alert) string {
	word := words[a.Kind]
	if word == "" {
		word = strings.ToUpper(text.Line(string(a.Kind)))
	}
	line := word + " " + text.Line(a.Text)
	if a.Advice != "" {
		line += " -> " + text.Line(a.Advice)
	}
	return line
}

// Payload is what commands and web hooks get: the pass as `capctl passes --json` prints
// it, with the alert itself under "alert". An alert without a pass has only that.
func Payload(a Alert) ([]byte, error) {
	pass := a.Pass
	a.Pass = nil
	return json.Marshal(struct {
		*record.Pass
		Alert Alert `json:"alert"`
	}{pass, a})
}

func identity(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d:%s", len(p), p)
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}
