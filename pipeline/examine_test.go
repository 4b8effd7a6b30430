package pipeline_test

import (
	"context"
	"errors"
	"testing"

	"capd.example/pipeline"
	"capd.example/record"
)

// past answers for stored passes; nothing else of a store is needed to examine one.
type past struct {
	pipeline.Store
	earlier []record.Earlier
	cell    map[string]string
	err     error
}

func (s *past) Earlier(_ context.Context, _ record.Pass, cell map[string]string) ([]record.Earlier, error) {
	s.cell = cell
	return s.earlier, s.err
}

// seen keeps what the validators were given.
type seen struct {
	got  record.Evidence
	then func()
}

func (c *seen) Check(_ context.Context, e record.Evidence) []record.Finding {
	c.got = e
	if c.then != nil {
		c.then()
	}
	return []record.Finding{{Check: "completeness", Outcome: record.OK, Reason: "whole"}}
}

func examined() record.Evidence {
	return record.Evidence{
		Pass:   record.Pass{ID: "1", Tags: record.Tags{"game": {Value: "a", From: record.FromPath}}},
		System: record.System{Fields: []record.Field{{Name: "memory.speed", Value: "4800"}}},
	}
}

func TestExamineGivesValidatorsWhatStandsBesideAPass(t *testing.T) {
	s, c := &past{earlier: []record.Earlier{{Pass: record.Pass{ID: "0"}}}}, &seen{}
	p := pipeline.Pipeline{Store: s, Checks: c, Know: pipeline.Knowledge{
		Factors: []string{"game", "preset"}, Required: []string{"completeness"},
		Expect: func(t record.Tags) record.Expectation {
			return record.Expectation{DurationS: 60, From: t.Value("game")}
		},
		Spread: func(_ context.Context, p record.Pass) (map[string]record.Spread, error) {
			return map[string]record.Spread{"avg_fps": {SD: 0.01, DF: 12, From: p.ID}}, nil
		},
	}}
	pass, err := p.Examine(context.Background(), examined())
	if err != nil {
		t.Fatal(err)
	}
	if c.got.Expected.DurationS != 60 || c.got.Expected.From != "a" || len(c.got.Earlier) != 1 || c.got.Spread["avg_fps"].From != "1" || c.got.TelemetryWhy == "" {
		t.Errorf("validators were given %+v", c.got)
	}
	if v, there := s.cell["preset"]; !there || v != "" || s.cell["game"] != "a" {
		t.Errorf("asked for the cell %v", s.cell)
	}
	if pass.Verdict != record.Clean {
		t.Errorf("verdict %s of %+v", pass.Verdict, pass.Findings)
	}
	// The same cell of another campaign is another cell.
	for _, of := range []string{"", "spring"} {
		e := examined()
		e.Pass.Tags[record.TagCampaign] = record.Tag{Value: of, From: record.FromPlan}
		if _, err := p.Examine(context.Background(), e); err != nil {
			t.Fatal(err)
		}
		if v, asked := s.cell[record.TagCampaign]; !asked || v != of {
			t.Errorf("a pass of the campaign %q stands beside those of the cell %v", of, s.cell)
		}
	}
}

// What the reviewer asserts of the bench is a finding beside those of the validators.
func TestExamineHoldsTheBenchToWhatIsAsserted(t *testing.T) {
	p := pipeline.Pipeline{Store: &past{}, Checks: &seen{}, Know: pipeline.Knowledge{Must: map[string]string{"memory.speed": "6000"}}}
	pass, err := p.Examine(context.Background(), examined())
	if err != nil {
		t.Fatal(err)
	}
	if pass.Verdict != record.VerdictBad {
		t.Errorf("verdict %s of %+v", pass.Verdict, pass.Findings)
	}
}

func TestExamineStoppedOrWithoutHistory(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	p := pipeline.Pipeline{Store: &past{}, Checks: &seen{then: stop}}
	if _, err := p.Examine(ctx, examined()); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped in the middle: %v", err)
	}
	broken := errors.New("disk gone")
	p = pipeline.Pipeline{Store: &past{err: broken}, Checks: &seen{}}
	if _, err := p.Examine(context.Background(), examined()); !errors.Is(err, broken) {
		t.Errorf("history unreadable: %v", err)
	}
	p = pipeline.Pipeline{Store: &past{}, Checks: &seen{}, Know: pipeline.Knowledge{
		Spread: func(context.Context, record.Pass) (map[string]record.Spread, error) { return nil, broken }}}
	if _, err := p.Examine(context.Background(), examined()); !errors.Is(err, broken) {
		t.Errorf("spread unreadable: %v", err)
	}
}
