// Package judging is what both programs need to have a pass judged alike: the agent when
// it arrives, capctl when it is looked at again.
package judging

import (
	"cmp"
	"context"

	"capd.example/analysis"
	"capd.example/config"
	"capd.example/record"
	"capd.example/store"
)

// EarlierPasses is how many passes of a cell validators get to see.
const EarlierPasses = 12

// history is how many passes of a game the repeatability rests on, the latest ones: some
// hundred cells. More would cost time on the bench and tell of times long past.
const history = 400

// Expect is what the configuration expects of every pass.
func Expect(c config.Expect) record.Expectation {
	return record.Expectation{DurationS: c.DurationS, ToleranceS: c.ToleranceS, Passes: c.Passes,
		CapFPS: c.CapFPS, RefreshHz: c.RefreshHz, From: "configuration"}
}

// Prefer returns e with what it lacks taken from otherwise.
func Prefer(e, otherwise record.Expectation) record.Expectation {
	e.DurationS = cmp.Or(e.DurationS, otherwise.DurationS)
	e.ToleranceS = cmp.Or(e.ToleranceS, otherwise.ToleranceS)
	e.Passes = cmp.Or(e.Passes, otherwise.Passes)
	e.From = cmp.Or(e.From, otherwise.From)
	e.CapFPS = cmp.Or(e.CapFPS, otherwise.CapFPS)
	if len(e.RefreshHz) == 0 {
		e.RefreshHz = otherwise.RefreshHz
	}
	return e
}

// History says how well passes like one repeat, by metric.
type History func(context.Context, record.Pass) (map[string]record.Spread, error)

// Spread returns what the store knows about how well passes of one session repeat, see
// [analysis.Repeatability]: from the passes of the same game and campaign on the same bench
// that started before.
func Spread(s *store.Store, factors []string) History {
	return func(ctx context.Context, p record.Pass) (map[string]record.Spread, error) {
		earlier, err := before(ctx, s, p, map[string]string{record.TagGame: p.Tags.Value(record.TagGame)})
		if err != nil {
			return nil, err
		}
		return analysis.Repeatability(p, earlier, analysis.Options{Factors: factors}), nil
	}
}

// Across returns what the store knows about how well passes of different sessions repeat,
// see [analysis.AcrossSessions]: from the passes of the same campaign on the same bench that
// started before. Where that tells nothing of sessions, stated is the standard deviation of
// what they shift, of a logarithm; 0 for unknown.
func Across(s *store.Store, factors []string, stated float64) History {
	return func(ctx context.Context, p record.Pass) (map[string]record.Spread, error) {
		earlier, err := before(ctx, s, p, map[string]string{})
		if err != nil {
			return nil, err
		}
		return analysis.AcrossSessions(p, earlier, analysis.Options{Factors: factors, SessionSD: stated}), nil
	}
}

func before(ctx context.Context, s *store.Store, p record.Pass, tags map[string]string) ([]record.Pass, error) {
	campaign := p.Tags.Value(record.TagCampaign)
	tags[record.TagCampaign] = campaign
	var earlier []record.Pass
	err := s.Lean(ctx, store.Filter{Bench: p.Bench, Tags: tags, Until: p.StartedAt, Newest: true, Limit: history},
		analysis.Checks(), func(e record.Pass) error {
			if e.Tags.Value(record.TagCampaign) == campaign { // the filter takes patterns
				earlier = append(earlier, e)
			}
			return nil
		})
	return earlier, err
}
