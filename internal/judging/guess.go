package judging

import (
	"context"
	"fmt"
	"math"

	"capd.example/analysis"
	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
)

// Around returns passes of other cells that a pass may belong to.
type Around func(context.Context, record.Pass) ([]record.Pass, error)

// Neighbours returns the latest passes of the campaign on the same bench that started before
// one, of all games.
func Neighbours(s *store.Store) Around {
	return func(ctx context.Context, p record.Pass) ([]record.Pass, error) {
		return before(ctx, s, p, map[string]string{})
	}
}

// Conventions of the guess.
const (
	guessApart = 0.04  // a pass is as far from its cell's others as this, on logarithms, or nothing is asked
	guessLeast = 0.003 // a smaller difference from the other cell is none
	guessMost  = 0.01  // a larger one is one, however badly passes repeat
	guessLow1  = 0.15  // the same of 1% lows
	guessSure  = 2.5   // standard deviations of the difference that are none
)

// guess asks for the mistake behind a pass that is unlike the others of its cell: where it has
// the rates of the one cell that differs in one factor, was that level in, or is it a log of that game?
// remedy is the command for a yes. Both are "" where it has not, or where several cells have them.
// What was detected is no mistake. sd is how well passes repeat, 0 for unknown.
func guess(p record.Pass, own, around []record.Pass, factors []string, sd float64) (question, remedy string) {
	rate := p.Metrics.AvgFPS
	others := figures(own, p.ID)
	if !(rate > 0) || len(others.avg) == 0 || math.Abs(math.Log(rate/middle(others.avg))) < guessApart {
		return "", ""
	}
	type place struct{ factor, level string }
	cells := map[place][]record.Pass{}
	for _, o := range around {
		if factor := onlyFactor(p.Tags, o.Tags, factors); factor != "" {
			at := place{factor, o.Tags.Value(factor)}
			cells[at] = append(cells[at], o)
		}
	}
	n := 0
	for at, list := range cells {
		x := figures(list, p.ID)
		if len(x.avg) < 2 {
			continue
		}
		noise := min(guessMost, max(guessLeast, guessSure*sd*math.Sqrt(1+1/float64(len(x.avg)))))
		low := p.Metrics.Low1FPS / middle(x.low1)
		if math.Abs(math.Log(rate/middle(x.avg))) > noise || low > 0 && math.Abs(math.Log(low)) > guessLow1 && !p.Metrics.Low1Sparse {
			continue
		}
		n++
		question = fmt.Sprintf("; the same rate as %s's cell (%.1f FPS): %s", at.level, middle(x.avg), analysis.Question(at.factor, at.level))
		remedy = fmt.Sprintf("if it is so, put it right: capctl tag %s %s=%s; else ", p.ID, at.factor, cli.Quoted(at.level))
	}
	if n != 1 {
		return "", ""
	}
	return question, remedy
}

// ask adds the guesses to what is doubtful about the passes of a cell; last is the latest of them.
func ask(ctx context.Context, around Around, last record.Pass, found map[string]record.Finding, passes []record.Pass, sd float64) error {
	var near []record.Pass
	for _, p := range passes {
		f := found[p.ID]
		if f.Outcome != record.Doubtful || around == nil {
			continue
		}
		if near == nil {
			var err error
			if near, err = around(ctx, last); err != nil {
				return err
			}
		}
		question, remedy := guess(p, passes, near, record.CellFactors, sd)
		f.Reason, f.Advice = f.Reason+question, remedy+f.Advice
		found[p.ID] = f
	}
	return nil
}

type rates struct{ avg, low1 []float64 }

// figures are those of the passes that count, but for one.
func figures(list []record.Pass, but string) (out rates) {
	for _, p := range list {
		if p.ID != but && p.Verdict != record.VerdictBad && p.Metrics.AvgFPS > 0 && p.Metrics.Low1FPS > 0 {
			out.avg, out.low1 = append(out.avg, p.Metrics.AvgFPS), append(out.low1, p.Metrics.Low1FPS)
		}
	}
	return out
}

func middle(x []float64) float64 { return float64(analysis.Median(x)) }

// onlyFactor is the factor in which alone two passes differ, where both have it and the first
// was not seen to have it.
func onlyFactor(a, b record.Tags, factors []string) (only string) {
	for _, f := range factors {
		switch x, y := a.Value(f), b.Value(f); {
		case x == y:
		case only != "" || x == "" || y == "" || a[f].From == record.FromDetected:
			return ""
		default:
			only = f
		}
	}
	return only
}
