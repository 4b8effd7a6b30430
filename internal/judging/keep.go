package judging

import (
	"context"
	"slices"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/completeness"
	"capd.example/record"
	"capd.example/store"
)

// Keep returns what becomes of the findings of a pass that is looked at again after
// retention took its samples: a check that lacks only these cannot know better than it did
// when it had them, so that its stored finding stays. Checks that lack something else, such
// as earlier passes of a cell that the pass has joined, say so as ever. Describe tells which
// checks need samples; one that cannot be asked is known by the reason that it gives. The
// check of completeness does without samples and still remembers what they showed.
func Keep(s *store.Store, describe func(context.Context) ([]plugins.Description, error)) func(context.Context, record.Evidence, []record.Finding) ([]record.Finding, error) {
	return func(ctx context.Context, e record.Evidence, now []record.Finding) ([]record.Finding, error) {
		if e.Telemetry != nil {
			return now, nil
		}
		at, err := s.Dropped(ctx, e.Pass.ID, "telemetry")
		if err != nil || at.IsZero() {
			return now, err
		}
		stored, err := s.Pass(ctx, e.Pass.ID)
		if err != nil {
			return nil, err
		}
		known, _ := describe(ctx) // what cannot be asked is left out
		return keep(stored.Findings, now, func(f record.Finding) bool {
			return e.TelemetryWhy != "" && strings.Contains(f.Reason, e.TelemetryWhy) ||
				slices.ContainsFunc(known, func(d plugins.Description) bool { return d.Name == f.Check && needsSamples(d) })
		}), nil
	}
}

func needsSamples(d plugins.Description) bool {
	return slices.ContainsFunc(d.Needs, func(n string) bool { return strings.Contains(strings.ToLower(n), "telemetry") })
}

// keep puts the stored finding in the place of each that was checked before, is not now,
// and lacks samples.
func keep(stored, now []record.Finding, lacks func(record.Finding) bool) []record.Finding {
	out := slices.Clone(now)
	for i, f := range out {
		if f.Check == completeness.Name {
			if was := slices.IndexFunc(stored, func(g record.Finding) bool { return g.Check == f.Check }); was >= 0 {
				out[i] = completeness.Remember(f, stored[was])
			}
		}
		if f.Outcome != record.NotChecked || !lacks(f) {
			continue
		}
		was := slices.IndexFunc(stored, func(g record.Finding) bool { return g.Check == f.Check && g.Outcome != record.NotChecked })
		if was >= 0 {
			out[i] = stored[was]
		}
	}
	return out
}
