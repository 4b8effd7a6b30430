package pipeline

import (
	"strings"
	"testing"
	"time"

	"capd.example/record"
	"capd.example/tag"
)

func knowing(t *testing.T) *Pipeline {
	t.Helper()
	a, err := tag.NewAliases(map[string]map[string][]string{
		"gpu":  {"A60": {"Nordwind Arctis 60"}, "A70": {"Nordwind Arctis 70"}},
		"game": {"Copper Drift": {"copper.exe"}, "Salt Flats": {"salt*"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return &Pipeline{Know: Knowledge{Aliases: a, Order: tag.DefaultOrder}}
}

var at = time.Date(2026, 2, 3, 9, 0, 0, 0, time.UTC)

func used(name string, percent float64) record.ProcessUse {
	return record.ProcessUse{Name: name, Percent: percent, From: at, To: at.Add(time.Second)}
}

func TestBusiestGame(t *testing.T) {
	p := knowing(t)
	for name, x := range map[string]struct {
		uses []record.ProcessUse
		want string
	}{
		"no process":               {nil, ""},
		"none that is known":       {[]record.ProcessUse{used("compiler", 400)}, ""},
		"the game beside others":   {[]record.ProcessUse{used("compiler", 400), used("copper.exe", 90)}, "copper.exe"},
		"a launcher of another":    {[]record.ProcessUse{used("salt-launcher", 3), used("copper.exe", 90)}, "copper.exe"},
		"two at work":              {[]record.ProcessUse{used("saltflats", 60), used("copper.exe", 90)}, ""},
		"one game in two programs": {[]record.ProcessUse{used("saltflats", 60), used("salt-helper", 50), used("copper.exe", 20)}, "salt-helper"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := p.busiestGame(&record.Telemetry{Processes: x.uses}); got != x.want {
				t.Errorf("%q, want %q", got, x.want)
			}
		})
	}
	if got := p.busiestGame(nil); got != "" {
		t.Errorf("without telemetry %q", got)
	}
}

func detectedCard(name string) record.System {
	return record.System{Fields: []record.Field{{Name: record.FieldGraphicsName, Value: name, Identity: true}}}
}

func TestWhatIsDetectedAfterThePassRanksLowest(t *testing.T) {
	p := knowing(t)
	p.Know.Present = at
	templates, err := tag.ParseTemplates([]string{"{gpu}/{game}.csv"})
	if err != nil {
		t.Fatal(err)
	}
	p.Know.Templates = templates
	for _, x := range []struct {
		ended   time.Time
		gpu     record.Tag
		outcome record.Outcome
	}{
		{at.Add(time.Hour), record.Tag{Value: "A70", From: record.FromDetected}, record.Bad},
		{at.Add(-time.Hour), record.Tag{Value: "A60", From: record.FromPath}, record.OK},
	} {
		claims := p.claims(Log{Rel: "A60/Copper Drift.csv"}, record.Reading{}, nil, detectedCard("Nordwind Arctis 70"), x.ended.Add(-time.Minute), x.ended)
		tags, _ := p.Know.Aliases.Resolve(claims, p.Know.Order)
		f := p.Contradictions(record.Pass{Tags: tags, Claims: claims})
		if tags["gpu"] != x.gpu || f.Outcome != x.outcome {
			t.Errorf("ended %v: %v, %s: %s", x.ended.Sub(at), tags["gpu"], f.Outcome, f.Reason)
		}
		// What the reviewer says settles it.
		tags["gpu"] = record.Tag{Value: "A60", From: record.FromHand}
		if f := p.Contradictions(record.Pass{Tags: tags, Claims: claims}); f.Outcome != record.OK {
			t.Errorf("settled by hand: %s: %s", f.Outcome, f.Reason)
		}
	}
	// Without any other word it is still worth knowing.
	claims := p.claims(Log{Rel: "x.csv"}, record.Reading{}, nil, detectedCard("Nordwind Arctis 70"), at.Add(-time.Hour), at.Add(-time.Hour))
	if tags, _ := p.Know.Aliases.Resolve(claims, nil); tags["gpu"] != (record.Tag{Value: "A70", From: record.FromLater}) {
		t.Errorf("alone: %v", tags["gpu"])
	}
}

func TestThePlanSpeaksForThePass(t *testing.T) {
	p := knowing(t)
	p.Know.Plan = func(started, ended time.Time, others []record.Claim) []record.Claim {
		if !ended.After(started) || len(others) != 1 || others[0].From != record.FromDetected {
			t.Errorf("the plan is asked about %v to %v with %v", started, ended, others)
		}
		return []record.Claim{{Name: "gpu", Value: "A60", From: record.FromPlan, Detail: "cell 1 of 8"}}
	}
	claims := p.claims(Log{Rel: "x.csv"}, record.Reading{}, nil, detectedCard("Nordwind Arctis 70"), at, at.Add(time.Minute))
	tags, _ := p.Know.Aliases.Resolve(claims, p.Know.Order)
	f := p.Contradictions(record.Pass{Tags: tags, Claims: claims})
	if f.Outcome != record.Bad || !strings.Contains(f.Reason, "A60") || !strings.Contains(f.Reason, "Arctis 70") {
		t.Errorf("%s: %s", f.Outcome, f.Reason)
	}
}

// A pass knows after which start of the machine it was recorded; one from before it does not.
func TestBootIsClaimedOfPassesSinceTheStart(t *testing.T) {
	p := knowing(t)
	p.Know.Boot = func(started time.Time) string {
		if started.Before(at) {
			return ""
		}
		return "4f6c1a2b"
	}
	boot := func(started time.Time) (value string, from record.Origin) {
		for _, c := range p.claims(Log{}, record.Reading{}, nil, detectedCard("A"), started, started.Add(time.Minute)) {
			if c.Name == record.TagBoot {
				value, from = c.Value, c.From
			}
		}
		return value, from
	}
	if v, from := boot(at.Add(time.Hour)); v != "4f6c1a2b" || from != record.FromDetected {
		t.Errorf("%q from %q", v, from)
	}
	if v, _ := boot(at.Add(-time.Hour)); v != "" {
		t.Errorf("a pass from before the start has %q", v)
	}
}
