package judging

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/completeness"
	"capd.example/record"
	"capd.example/store"
)

// asked are the validators that were just asked about a pass, as [host.Host] has them.
type asked interface {
	Describe(context.Context) ([]plugins.Description, error)
	Unable() (why map[string]string, unknown bool)
}

// Keep returns what becomes of the findings of a pass that is looked at again. Stored
// findings stay in two cases:
//
// A validator that gave no answer changes nothing: what it found before holds on, and
// where it found nothing, nothing is added. Else a crash would turn a bad pass clean. Of a
// program that never said which checks it holds, any check may be that nobody answered for;
// gone are the names of those that it cannot be: what is switched off, and what no
// validator says. With corrected the pass, or a neighbour of it, is looked at because its
// tags were corrected: then what was fine about the old ones is not-checked about the new,
// so that a crash makes no pass clean that nobody looked at as what it is.
//
// After retention took the samples, a check that lacks only these cannot know better than
// it did when it had them. Checks that lack something else, such as earlier passes of a
// cell that the pass has joined, say so as ever. Needs tell which checks need samples; one
// that cannot be asked is known by the reason that it gives. The check of completeness does
// without samples and still remembers what they showed.
func Keep(s *store.Store, v asked, corrected bool, gone ...string) func(context.Context, record.Evidence,
	[]record.Finding) ([]record.Finding, error) {
	return func(ctx context.Context, e record.Evidence, now []record.Finding) ([]record.Finding, error) {
		silent, unknown := v.Unable()
		dropped, err := withoutSamples(ctx, s, e)
		if err != nil || len(silent) == 0 && !dropped {
			return now, err
		}
		stored, err := s.Pass(ctx, e.Pass.ID)
		if err != nil {
			return nil, err
		}
		if dropped {
			known, _ := v.Describe(ctx) // what cannot be asked is left out
			now = keep(stored.Findings, now, func(f record.Finding) bool {
				return e.TelemetryWhy != "" && strings.Contains(f.Reason, e.TelemetryWhy) ||
					slices.ContainsFunc(known, func(d plugins.Description) bool { return d.Name == f.Check && needsSamples(d) })
			})
		}
		before := stored.Findings
		if corrected {
			before = outdated(before, silent)
		}
		return leave(before, now, func(check string, answered bool) bool {
			_, is := silent[check]
			return is || unknown && !answered && !slices.Contains(gone, check)
		}), nil
	}
}

// withoutSamples reports whether retention took the samples of a pass.
func withoutSamples(ctx context.Context, s *store.Store, e record.Evidence) (bool, error) {
	if e.Telemetry != nil {
		return false, nil
	}
	at, err := s.Dropped(ctx, e.Pass.ID, "telemetry")
	return !at.IsZero(), err
}

// leave puts the stored findings of silent validators in the place of what is said for
// them now.
func leave(stored, now []record.Finding, silent func(check string, answered bool) bool) []record.Finding {
	out := slices.DeleteFunc(slices.Clone(now), func(f record.Finding) bool { return silent(f.Check, true) })
	for _, f := range stored {
		answered := slices.ContainsFunc(out, func(g record.Finding) bool { return g.Check == f.Check })
		if silent(f.Check, answered) {
			out = append(out, f)
		}
	}
	slices.SortStableFunc(out, func(a, b record.Finding) int { return cmp.Compare(a.Check, b.Check) })
	return out
}

// outdated says of what was fine that it was so before a correction; why no answer was given
// now is told where it is known.
func outdated(stored []record.Finding, why map[string]string) []record.Finding {
	out := slices.Clone(stored)
	for i, f := range out {
		if f.Outcome == record.OK {
			out[i] = record.Finding{Check: f.Check, Version: f.Version, Outcome: record.NotChecked, Params: f.Params,
				Reason: "fine before its tags or its cell changed; no answer since: " +
					cmp.Or(why[f.Check], "its program did not say which checks it holds")}
		}
	}
	return out
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
		was := slices.IndexFunc(stored, func(g record.Finding) bool {
			return g.Check == f.Check &&
				g.Outcome != record.NotChecked
		})
		if was >= 0 {
			out[i] = stored[was]
		}
	}
	return out
}
