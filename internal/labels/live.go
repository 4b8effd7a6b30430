package main

import (
	"context"
	"fmt"
	"maps"

	"capd.example/record"
	"capd.example/store"
)

// wanted says which validators should speak up about a condition of the live set.
var wanted = map[string][]string{
	"clean":            nil,
	"stopped-early":    {"completeness"},
	"background-heavy": {"background"},
	"background-light": {"background"},
	"paused":           {"hitches"},
	"frame-cap":        {"framecap"},
}

// live reads the set that internal/labels/record left: passes with the telemetry that the
// real agent took. The condition is the tag of that name, which the validators do not get.
func live(path string) ([]labelled, error) {
	ctx := context.Background()
	s, err := store.Open(ctx, path, store.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	passes, err := s.Passes(ctx, store.Filter{})
	if err != nil {
		return nil, err
	}
	var out []labelled
	for _, p := range passes {
		condition := p.Tags.Value("condition")
		want, known := wanted[condition]
		if !known {
			return nil, fmt.Errorf("pass %s: condition %q is not known", p.ID, condition)
		}
		e, err := s.Evidence(ctx, p.ID)
		if err != nil {
			return nil, err
		}
		if e.Earlier, err = s.Earlier(ctx, p.Bench, p.Tags.Cell(record.CellFactors), p.ID, 12); err != nil {
			return nil, err
		}
		e.Expected = record.Expectation{DurationS: 12}
		e.Pass.Tags = maps.Clone(e.Pass.Tags)
		delete(e.Pass.Tags, "condition")
		e.Pass.Log = ""
		out = append(out, labelled{name: p.ID, condition: condition, want: want, evidence: e})
	}
	return out, nil
}
