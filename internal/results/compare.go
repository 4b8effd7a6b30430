package results

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
)

// PrintMargins prints the comparisons of cells.
func PrintMargins(a *cli.Streams, form output.Form, by string, margins []compare.Margin, o analysis.Options,
	data func() output.Data) error {
	headings := table.Row{"cell", by, "against", "result, " + o.ConfidencePercent() + " interval", "why"}
	both := slices.ContainsFunc(margins, compare.Margin.BothKnown)
	if both {
		headings = slices.Insert(headings, 4, any("in one session"))
	}
	form.Head(a, compare.SessionsOfMargins(margins, o))
	form.Head(a, compare.TieNote(margins, o))
	return output.Emit(a, form, margins, headings, func(m compare.Margin) table.Row {
		row := table.Row{m.Name(), m.Value, m.Base, m.Statement,
			strings.Join(append([]string{m.Reason}, m.Warnings...), "; ")}
		if both {
			row = slices.Insert(row, 4, any(percentRange(m.SessionLow, m.SessionHigh)))
		}
		return row
	}, data)
}

// AutoTie asks for the threshold that the passes resolve.
const AutoTie = "auto"

// TieOf returns the threshold of --tie in per cent, 0 where it names none.
func TieOf(asked string) (float64, error) {
	if asked == "" || asked == AutoTie {
		return 0, nil
	}
	x, err := strconv.ParseFloat(asked, 64)
	if err != nil || !(x > 0 && x < 100) {
		return 0, cli.UsageError(fmt.Errorf("--tie %s is neither 'auto' nor a percentage above 0 and below 100",
			safe.Plain(asked)))
	}
	return x, nil
}

// KnownFigure refuses the name of a figure that there is not.
func KnownFigure(name string) error {
	names, list := map[string]bool{}, figureNames()
	for _, n := range list {
		names[n] = true
	}
	if names[name] {
		return nil
	}
	hints := []string{"figures: " + strings.Join(list, ", ")}
	if like := safe.Nearest(name, names); like != "" {
		hints = append([]string{"type: --metric " + like}, hints...)
	}
	return cli.UsageError(fmt.Errorf("there is no figure %q", name), hints...)
}

func figureNames() (list []string) {
	for _, m := range analysis.Metrics {
		list = append(list, m.Name)
	}
	return list
}

func percentRange(low, high analysis.Number) string {
	if !low.Known() || !high.Known() {
		return "-"
	}
	return fmt.Sprintf("%+.1f to %+.1f %%", 100*float64(low), 100*float64(high))
}

// PrintTotals prints the comparisons over all games.
func PrintTotals(a *cli.Streams, form output.Form, by string, totals []compare.Total, o analysis.Options,
	data func() output.Data) error {
	headings := table.Row{"cells", by, "against", "geometric mean, " + o.ConfidencePercent() + " interval"}
	both := slices.ContainsFunc(totals, compare.Total.BothKnown)
	spread := slices.ContainsFunc(totals, func(t compare.Total) bool { return t.SpreadLow.Known() })
	for _, x := range []struct {
		shown bool
		name  string
	}{{both, "in one session"}, {spread, "expected for other games"}, {true, "why"}, {true, "games"}} {
		if x.shown {
			headings = append(headings, x.name)
		}
	}
	form.Head(a, compare.SessionsOfTotals(totals, o))
	return output.Emit(a, form, totals, headings, func(t compare.Total) table.Row {
		var games []string
		for _, g := range t.Games {
			text := fmt.Sprintf("%s %s", g.Game, percent(g.Margin))
			if g.Without.Known() {
				text += fmt.Sprintf(" (%s if left out)", percent(g.Without))
			}
			games = append(games, text)
		}
		row := table.Row{t.Name(), t.Value, t.Base, t.Statement}
		if both {
			row = append(row, percentRange(t.SessionLow, t.SessionHigh))
		}
		if spread {
			row = append(row, percentRange(t.SpreadLow, t.SpreadHigh))
		}
		return append(row, t.Reason, strings.Join(games, ", "))
	}, data)
}

// percent prints a margin with its sign.
func percent(margin analysis.Number) string {
	if !margin.Known() {
		return "-"
	}
	return compare.Signed(margin, analysis.Undefined, analysis.Undefined) + " %"
}

// levels are the values that each factor has in some cells, in their order.
type levels struct {
	factors []string
	of      map[string][]string
}

// LevelsOf returns the values that each factor has in some cells.
func LevelsOf(cells []analysis.Cell, factors []string) levels {
	l := levels{factors, map[string][]string{}}
	for _, c := range cells {
		for _, f := range factors {
			if v := c.Factors[f]; v != "" && !slices.Contains(l.of[f], v) {
				l.of[f] = append(l.of[f], v)
			}
		}
	}
	return l
}

// First is the factor to compare by where none is named: the one that has the base, else
// one of several values.
func (l levels) First(base string) string {
	for _, f := range l.factors {
		if base != "" && slices.Contains(l.of[f], base) {
			return f
		}
	}
	for _, f := range append([]string{record.TagGraphics, record.TagProcessor}, l.factors...) {
		if slices.Contains(l.factors, f) && len(l.of[f]) > 1 {
			return f
		}
	}
	return l.factors[0]
}

// Check refuses a factor or a base that no cell has, with those that there are.
func (l levels) Check(by, base string) error {
	if !slices.Contains(l.factors, by) {
		return cli.UsageError(fmt.Errorf("there is no factor %q; there are %s", by, strings.Join(l.factors, ", ")),
			meant("--by", by, l.factors),
			"--factor NAME makes a tag of your own one")
	}
	values := l.of[by]
	if base == "" || l.empty() || slices.Contains(values, base) {
		return nil
	}
	const most = 12
	if len(values) == 0 {
		return cli.UsageError(fmt.Errorf("no cell has %s = %q: no selected pass has the tag %s", by, base, by),
			"factors with values: "+l.String())
	}
	there := safe.Plain(strings.Join(values[:min(len(values), most)], ", "))
	if n := len(values) - most; n > 0 {
		there += fmt.Sprintf(" and %d more", n)
	}
	return cli.UsageError(fmt.Errorf("no cell has %s = %q; %s is one of: %s", by, base, by, there),
		meant("--base", base, values))
}

// meant is what to type in place of a slip, else the option with the first that there is.
func meant(option, said string, known []string) string {
	names := map[string]bool{}
	for _, k := range known {
		names[k] = true
	}
	return "type: " + option + " " + cli.Quoted(cmp.Or(safe.Nearest(said, names), known[0]))
}

// Nothing says why no two cells can be compared, and what to type instead.
func (l levels) Nothing(a *cli.Streams, by, base string) {
	safe.Fprintf(a.Err, "capctl: nothing to compare: %s\n", l.why(by, base))
	for _, h := range l.hints(by) {
		a.Say("hint: %s", h)
	}
}

// String says how many values each factor has: "gpu: 2 values, cpu: 1 value".
func (l levels) String() string {
	out := make([]string, len(l.factors))
	for i, f := range l.factors {
		out[i] = f + ": " + record.Count(len(l.of[f]), "value")
	}
	return strings.Join(out, ", ")
}

// why says why no two cells differ in the factor alone.
func (l levels) why(by, base string) string {
	switch n := len(l.of[by]); {
	case n == 0 && l.empty():
		return "no pass is selected"
	case n == 0:
		return "no selected pass has the tag " + by
	case n == 1:
		return fmt.Sprintf("%s has one value, %s", by, l.of[by][0])
	case base != "":
		return fmt.Sprintf("no cell differs from a cell with %s in %s alone", base, by)
	}
	return fmt.Sprintf("no two cells differ in %s alone", by)
}

func (l levels) empty() bool {
	for _, v := range l.of {
		if len(v) > 0 {
			return false
		}
	}
	return true
}

// hints are what to type instead.
func (l levels) hints(by string) []string {
	if l.empty() {
		return []string{"'capctl passes' lists what there is"}
	}
	var out []string
	if v := l.of[by]; len(v) > 1 {
		out = append(out, fmt.Sprintf("values of %s: %s", safe.Plain(by),
			safe.Plain(strings.Join(v[:min(len(v), 12)], ", "))),
			fmt.Sprintf("type: capctl compare --by=%s --base=%s", cli.Quoted(by), cli.Quoted(v[0])))
	}
	for _, f := range l.factors {
		if f != by && len(l.of[f]) > 1 {
			out = append(out, "type: capctl compare --by="+cli.Quoted(f))
			break
		}
	}
	return append(out, l.String(), "'capctl cells' lists the cells")
}
