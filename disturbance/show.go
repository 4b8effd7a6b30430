package disturbance

import (
	"fmt"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// Show prints what an experiment found, for people or as one JSON object per line.
func Show(a *cli.Streams, asJSON bool, e Experiment, lines []Result) error {
	var rows []table.Row
	for _, l := range lines {
		if asJSON {
			if err := output.WriteError(output.JSON(a.Out, l)); err != nil {
				return err
			}
			continue
		}
		rows = append(rows, table.Row{l.Threads, map[string]string{"avg_fps": "avg FPS", "low1_fps": "1% low"}[l.Figure],
			fmt.Sprintf("%.3f", l.Without), slowdown(l.Typical), proven(l.Typical), slowdown(l.Mean), proven(l.Mean)})
	}
	if asJSON {
		return nil
	}
	output.Table(a.Out, table.Row{"threads", "figure", "without agent", "typical round with agent, 95 % interval",
		"equivalent", "mean of the rounds, 95 % interval", "equivalent"}, rows)
	_, err := safe.Fprintf(a.Out, `%d rounds of two blocks of %s with the agent at work and two with it held still, frames running and %s throughout.
Typical round: Hodges-Lehmann with the signed-rank test, which a shared machine's hold-ups do not drown; what the agent does in few
rounds only shows in the mean alone. Equivalence by two one-sided tests at 5 %% (Schuirmann 1987), with the least margin provable
here. Half as wide an interval takes four times the rounds.
`, e.Rounds, e.Block, grown(e.Writes))
	return output.WriteError(err)
}

func grown(writes int) string {
	if writes == 0 {
		return "no log growing"
	}
	return fmt.Sprintf("a log growing by %s a second", record.Count(writes, "row"))
}

func slowdown(c Change) string {
	if c.CILow == nil {
		return fmt.Sprintf("%+.3f %% (too few rounds)", 100*c.Relative)
	}
	return fmt.Sprintf("%+.3f %% (%+.3f to %+.3f)", 100*c.Relative, 100**c.CILow, 100**c.CIHigh)
}

func proven(c Change) string {
	switch {
	case c.Least == nil:
		return "-"
	case c.Within01:
		return fmt.Sprintf("within 0.1 %% (%.3f)", 100**c.Least)
	case c.Within05:
		return fmt.Sprintf("within 0.5 %% (%.3f)", 100**c.Least)
	}
	return fmt.Sprintf("not shown (%.3f %%)", 100**c.Least)
}
