package report

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/analysis/oddcell"
	"capd.example/analysis/reuse"
	readable "capd.example/internal/text"
	"capd.example/record"
)

// Table is a result in columns for spreadsheets and programs: one fact a column, numbers
// unrounded, the unit in the column's name. An empty number is not defined.
type Table struct {
	Name, About string
	Columns     []Column
	Rows        [][]string
}

// Column describes one column.
type Column struct {
	Name  string
	Kind  string // string, number or integer
	About string
}

// CSV writes the table with a line of headings. A text that a spreadsheet would take for a
// formula has an apostrophe in front (OWASP, "CSV Injection").
func (t Table) CSV() ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	head := make([]string, len(t.Columns))
	for j, c := range t.Columns {
		head[j] = readable.Cell(c.Name)
	}
	if err := w.Write(head); err != nil {
		return nil, fmt.Errorf("write %s: %w", t.Name, err)
	}
	row := make([]string, len(t.Columns))
	for _, values := range t.Rows {
		for j, v := range values {
			if row[j] = v; t.Columns[j].Kind == kindText {
				row[j] = readable.Cell(v)
			}
		}
		if err := w.Write(row); err != nil {
			return nil, fmt.Errorf("write %s: %w", t.Name, err)
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

const (
	kindText    = "string"
	kindNumber  = "number"
	kindInteger = "integer"
)

// field is a column with where its value is from.
type field[T any] struct {
	Column
	of func(T) string
}

func text[T any](name, about string, of func(T) string) field[T] {
	return field[T]{Column{name, kindText, about}, of}
}

func number[T any](name, about string, of func(T) analysis.Number) field[T] {
	return field[T]{Column{name, kindNumber, about}, func(x T) string { return value(float64(of(x))) }}
}

// percent is a relative number in per cent.
func percent[T any](name, about string, of func(T) analysis.Number) field[T] {
	return number(name, about, func(x T) analysis.Number { return 100 * of(x) })
}

func integer[T any](name, about string, of func(T) int) field[T] {
	return field[T]{Column{name, kindInteger, about}, func(x T) string { return strconv.Itoa(of(x)) }}
}

func value(x float64) string {
	if !analysis.Number(x).Known() {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

// factorFields give each factor a column.
func factorFields[T any](factors []string, of func(T) map[string]string) []field[T] {
	var out []field[T]
	for _, f := range factors {
		out = append(out, text(f, "factor", func(x T) string { return of(x)[f] }))
	}
	return out
}

func newTable[T any](name, about string, items []T, groups ...[]field[T]) Table {
	t := Table{Name: name, About: about}
	var fields []field[T]
	for _, g := range groups {
		for _, f := range g {
			for _, c := range t.Columns {
				if c.Name == f.Name { // a factor may be called like a figure
					f.Name += "_of_the_table"
				}
			}
			fields, t.Columns = append(fields, f), append(t.Columns, f.Column)
		}
	}
	for _, x := range items {
		row := make([]string, len(fields))
		for j, f := range fields {
			row[j] = f.of(x)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// CellTable has one row per cell.
func CellTable(cells []analysis.Cell, factors []string) Table {
	type cell = analysis.Cell
	fields := []field[cell]{
		integer("passes_used", "passes that count", func(c cell) int { return len(c.Passes.Used) }),
		integer("passes_left_out", "passes that do not count", func(c cell) int { return len(c.Passes.LeftOut) }),
		text("agree", "outcome of the agreement of passes", func(c cell) string { return string(c.Agree.Outcome) }),
	}
	for _, m := range analysis.Metrics {
		figure := func(of func(analysis.Figure) analysis.Number) func(cell) analysis.Number {
			return func(c cell) analysis.Number { return of(c.Figure(m.Name)) }
		}
		fields = append(fields,
			number(m.Name+"_mean", m.Text+", mean of the passes",
				figure(func(f analysis.Figure) analysis.Number { return f.Mean })),
			number(m.Name+"_ci_low", "lower end of the interval",
				figure(func(f analysis.Figure) analysis.Number { return f.CILow })),
			number(m.Name+"_ci_high", "upper end of the interval",
				figure(func(f analysis.Figure) analysis.Number { return f.CIHigh })),
			text(m.Name+"_covers", "what the interval holds for: repeats within one session, or sessions",
				func(c cell) string { return string(c.Figure(m.Name).Covers) }),
			number(m.Name+"_session_ci_low", "lower end of the interval of repeats within the sessions as they were",
				figure(func(f analysis.Figure) analysis.Number { return f.SessionLow })),
			number(m.Name+"_session_ci_high", "its upper end",
				figure(func(f analysis.Figure) analysis.Number { return f.SessionHigh })),
			number(m.Name+"_sd", "sample standard deviation of the passes",
				figure(func(f analysis.Figure) analysis.Number { return f.SD })),
			number(m.Name+"_median", "median of the passes",
				figure(func(f analysis.Figure) analysis.Number { return f.Median })),
			text(m.Name+"_shown", "what tables for people show: mean, or median where the passes do not agree",
				func(c cell) string { return c.Figure(m.Name).Shown }))
	}
	fields = append(
		fields,
		integer("sessions", "sessions that the passes that count are from", func(c cell) int { return c.Sessions }),
		text("pass_ids", "passes that count", func(c cell) string {
			var ids []string
			for _, u := range c.Passes.Used {
				ids = append(ids, u.ID)
			}
			return strings.Join(ids, " ")
		}),
		text("left_out", "passes that do not, and why", func(c cell) string {
			var why []string
			for _, l := range c.Passes.LeftOut {
				why = append(why, l.ID+": "+l.Why)
			}
			return strings.Join(why, "; ")
		}),
		text(
			"agree_reason",
			"how far the passes lie apart, and the limit",
			func(c cell) string { return c.Agree.Reason },
		),
		text("warnings", "what a reader of the figures must know",
			func(c cell) string { return strings.Join(c.Warnings, "; ") }),
	)
	return newTable("cells", "One row per cell: figures of the passes that count, with intervals on logarithms", cells,
		factorFields(factors, func(c cell) map[string]string { return c.Factors }), fields)
}

// MarginTable has one row per pair of cells that differ in one factor.
func MarginTable(margins []compare.Margin, factors []string) Table {
	type margin = compare.Margin
	return newTable("margins", "One row per pair of cells that differ in one factor", margins,
		[]field[margin]{
			text("by", "factor in which the cells differ", func(m margin) string { return m.By }),
			text("value", "its value in the cell that is compared", func(m margin) string { return m.Value }),
			text("base", "and in the cell compared with", func(m margin) string { return m.Base }),
		},
		factorFields(factors, func(m margin) map[string]string { return m.Factors }),
		[]field[margin]{
			text("figure", "what is compared", func(m margin) string { return m.Metric }),
			number("base_mean", "mean of the figure in the cell compared with",
				func(m margin) analysis.Number { return m.BaseFigure }),
			number(
				"value_mean",
				"and in the cell that is compared",
				func(m margin) analysis.Number { return m.ValueFigure },
			),
			percent("margin_percent", "by how much the value is above the base",
				func(m margin) analysis.Number { return m.Margin }),
			percent("ci_low_percent", "lower end of its interval", func(m margin) analysis.Number { return m.CILow }),
			percent("ci_high_percent", "upper end of its interval", func(m margin) analysis.Number { return m.CIHigh }),
			text("covers", "what interval, call and bound hold for: repeats within one session, or sessions",
				func(m margin) string { return string(m.Covers) }),
			percent("session_ci_low_percent", "lower end of the interval of repeats within the sessions as they were",
				func(m margin) analysis.Number { return m.SessionLow }),
			percent(
				"session_ci_high_percent",
				"its upper end",
				func(m margin) analysis.Number { return m.SessionHigh },
			),
			percent("at_most_percent", "least bound within which the margin is shown to lie",
				func(m margin) analysis.Number { return m.AtMost }),
			text("call", "faster, slower, tie or undecided", func(m margin) string { return string(m.Call) }),
			number(
				"p_adjusted",
				"of no difference, adjusted over the table",
				func(m margin) analysis.Number { return m.PHolm },
			),
			number("tie_p_adjusted", "of a difference of the threshold or more, adjusted over the table",
				func(m margin) analysis.Number { return m.PTieHolm }),
			text("statement", "the outcome in words", func(m margin) string { return m.Statement }),
			text("reason", "why the call", func(m margin) string { return m.Reason }),
			text("warnings", "what else differs", func(m margin) string { return strings.Join(m.Warnings, "; ") }),
		})
}

// TotalTable has one row per total over games.
func TotalTable(totals []compare.Total, factors []string) Table {
	type total = compare.Total
	return newTable(
		"across-games",
		"Geometric means of the games' ratios",
		totals,
		[]field[total]{
			text("by", "factor in which the cells differ", func(t total) string { return t.By }),
			text("value", "its value in the cells that are compared", func(t total) string { return t.Value }),
			text("base", "and in the cells compared with", func(t total) string { return t.Base }),
		},
		factorFields(
			without(factors, record.TagGame, record.TagScene),
			func(t total) map[string]string { return t.Factors },
		),
		[]field[total]{
			text("figure", "what is compared", func(t total) string { return t.Metric }),
			integer("games", "how many games the mean rests on", func(t total) int { return len(t.Games) }),
			percent(
				"margin_percent",
				"geometric mean of the ratios, less 1",
				func(t total) analysis.Number { return t.Margin },
			),
			percent("ci_low_percent", "lower end of its interval for these games",
				func(t total) analysis.Number { return t.CILow }),
			percent("ci_high_percent", "upper end of its interval for these games",
				func(t total) analysis.Number { return t.CIHigh }),
			text("covers", "what interval, call and bound hold for: repeats within one session, or sessions",
				func(t total) string { return string(t.Covers) }),
			percent("session_ci_low_percent", "lower end of the interval of repeats within the sessions as they were",
				func(t total) analysis.Number { return t.SessionLow }),
			percent("session_ci_high_percent", "its upper end", func(t total) analysis.Number { return t.SessionHigh }),
			percent("at_most_percent", "least bound within which the mean is shown to lie",
				func(t total) analysis.Number { return t.AtMost }),
			percent("like_these_low_percent", "the games taken for a sample of games like these: a spread",
				func(t total) analysis.Number { return t.SpreadLow }),
			percent("like_these_high_percent", "its upper end", func(t total) analysis.Number { return t.SpreadHigh }),
			percent("common_margin_percent", "over the games that all totals of the table have",
				func(t total) analysis.Number { return t.Common }),
			text("call", "faster, slower, tie or undecided", func(t total) string { return string(t.Call) }),
			number(
				"p_adjusted",
				"of no difference, adjusted over the table",
				func(t total) analysis.Number { return t.PHolm },
			),
			number("tie_p_adjusted", "of a difference of the threshold or more, adjusted over the table",
				func(t total) analysis.Number { return t.PTieHolm }),
			text("statement", "the outcome in words", func(t total) string { return t.Statement }),
			text("reason", "why the call", func(t total) string { return t.Reason }),
			text("game_margins", "margin of each game, and of the total without it", func(t total) string {
				var out []string
				for _, g := range t.Games {
					out = append(out, fmt.Sprintf("%s %.2f %% (without it %.2f %%)", g.Game, 100*float64(g.Margin),
						100*float64(g.Without)))
				}
				return strings.Join(out, "; ")
			}),
			text("missing", "games that other totals of the table have",
				func(t total) string { return strings.Join(t.Missing, "; ") }),
		},
	)
}

// LimitTable has one row per measured cell.
func LimitTable(limits []limit.Limit, factors []string) Table {
	return newTable("limits", "What limits each measured cell", limits,
		factorFields(factors, func(l limit.Limit) map[string]string { return l.Factors }),
		[]field[limit.Limit]{
			number("avg_fps", "mean of the average rates", func(l limit.Limit) analysis.Number { return l.FPS }),
			text(
				"bound_by",
				"processor, graphics, both, cap or unknown",
				func(l limit.Limit) string { return string(l.Limit) },
			),
			number("processor_share", "0 to 1: how much of one per cent more processor arrives as frames",
				func(l limit.Limit) analysis.Number { return l.Share }),
			number(
				"processor_share_low",
				"lower end of its interval",
				func(l limit.Limit) analysis.Number { return l.ShareLow },
			),
			number(
				"processor_share_high",
				"upper end of its interval",
				func(l limit.Limit) analysis.Number { return l.ShareHigh },
			),
			number("fitted_fps", "by the model", func(l limit.Limit) analysis.Number { return l.Fitted }),
			number("residual_ln", "ln(measured / fitted)", func(l limit.Limit) analysis.Number { return l.Residual }),
			text("reason", "from what that follows", func(l limit.Limit) string { return l.Reason }),
		})
}

// OddTable has one row per odd cell.
func OddTable(odd []oddcell.Odd, factors []string) Table {
	type cell = oddcell.Odd
	return newTable("odd", "Cells that do not fit in with the others", odd,
		factorFields(factors, func(x cell) map[string]string { return x.Factors }),
		[]field[cell]{
			number("avg_fps", "mean of the average rates", func(x cell) analysis.Number { return x.FPS }),
			number("expected_fps", "by the other cells", func(x cell) analysis.Number { return x.Expected }),
			percent(
				"deviation_percent",
				"measured against expected",
				func(x cell) analysis.Number { return x.Deviation },
			),
			text("kind", "residual: far from the model; order: against the expected order",
				func(x cell) string { return x.Kind }),
			number("p_adjusted", "of chance, adjusted over the cells", func(x cell) analysis.Number { return x.P }),
			text("reason", "what is odd", func(x cell) string { return x.Reason }),
			text("advice", "what to do", func(x cell) string { return x.Advice }),
			text("pass_ids", "passes involved", func(x cell) string { return strings.Join(x.Passes, " ") }),
		})
}

// PredictionTable has one row per cell that was not measured.
func PredictionTable(list []limit.Prediction, factors []string) Table {
	type guess = limit.Prediction
	return newTable("predicted", "Cells that were not measured, as the model makes them", list,
		factorFields(factors, func(p guess) map[string]string { return p.Factors }),
		[]field[guess]{
			number("predicted_avg_fps", "no measurement", func(p guess) analysis.Number { return p.FPS }),
			number("predicted_ci_low_fps", "lower end of the interval for the mean of a cell that would be measured",
				func(p guess) analysis.Number { return p.CILow }),
			number(
				"predicted_ci_high_fps",
				"upper end of the interval",
				func(p guess) analysis.Number { return p.CIHigh },
			),
			text("bound_by", "by the model", func(p guess) string { return string(p.Limit) }),
			text(
				"like",
				"measured cell that it would be within the threshold of",
				func(p guess) string { return p.Like },
			),
			text("reason", "what it rests on", func(p guess) string { return p.Reason }),
		})
}

// ThresholdTable has one row per cell and refresh rate.
func ThresholdTable(list []compare.Threshold, factors []string) Table {
	type row = compare.Threshold
	return newTable("refresh-rates",
		"Which cells hold a refresh rate: yes and no where the whole interval lies on one side", list,
		[]field[row]{number("refresh_hz", "refresh rate",
			func(t row) analysis.Number { return analysis.Number(t.RefreshHz) })},
		factorFields(factors, func(t row) map[string]string { return t.Factors }),
		[]field[row]{
			number("avg_fps", "average rate", func(t row) analysis.Number { return t.FPS }),
			text("holds_on_average", "yes, no or unclear", func(t row) string { return string(t.Average) }),
			number("low1_fps", "1% low", func(t row) analysis.Number { return t.Low1FPS }),
			text("holds_at_low1", "yes, no or unclear", func(t row) string { return string(t.Low1) }),
		})
}

// ValueTable has one row per part and setting.
func ValueTable(values []compare.Value, factors []string) Table {
	type part = compare.Value
	return newTable(
		"value",
		"Rates against prices",
		values,
		[]field[part]{
			text("by", "factor whose parts have prices", func(v part) string { return v.By }),
			text("part", "", func(v part) string { return v.Part }),
		},
		factorFields(
			without(factors, record.TagGame, record.TagScene),
			func(v part) map[string]string { return v.Factors },
		),
		[]field[part]{
			number("avg_fps", "geometric mean over the games", func(v part) analysis.Number { return v.FPS }),
			text("games", "whose rates are averaged", func(v part) string { return strings.Join(v.Games, "; ") }),
			number("price", "", func(v part) analysis.Number { return v.Price }),
			text("currency", "of the price and of the cost", func(v part) string { return v.Currency }),
			text("price_date", "", func(v part) string { return v.Date }),
			number(
				"cost_per_frame",
				"price by frames per second",
				func(v part) analysis.Number { return v.CostPerFrame },
			),
			text("frontier", "yes where no other part is both no dearer and faster", func(v part) string {
				switch {
				case v.Frontier:
					return "yes"
				case v.CostPerFrame.Known():
					return "no"
				}
				return ""
			}),
			text("not_worth_over", "cheaper part whose difference is a tie", func(v part) string { return v.NotWorth }),
			text("reason", "", func(v part) string { return v.Reason }),
		},
	)
}

// RepeatTable has one row per bench, game, limiting part and figure.
func RepeatTable(list []analysis.Repeat) Table {
	type row = analysis.Repeat
	return newTable("repeatability", "How well passes repeat", list, []field[row]{
		text("bench", "", func(r row) string { return r.Bench }),
		text("game", "", func(r row) string { return r.Game }),
		text("bound_by", "limiting part of the cells", func(r row) string { return string(r.Regime) }),
		text("figure", "", func(r row) string { return r.Metric }),
		percent(
			"repeatability_sd_percent",
			"standard deviation of one pass",
			func(r row) analysis.Number { return r.SD },
		),
		integer("sets", "of passes taken under the same conditions", func(r row) int { return r.Sets }),
		number("degrees_of_freedom", "", func(r row) analysis.Number { return r.DF }),
		percent("three_passes_resolve_percent", "smallest difference found with 80 % probability",
			func(r row) analysis.Number { return r.Resolves }),
		integer("sets_left_out", "that spread more than the others, in no figure here", func(r row) int { return r.LeftOut }),
		percent("left_out_sd_percent", "the largest spread of a set left out",
			func(r row) analysis.Number { return r.LeftOutSD }),
		text("not_homogeneous", "why the sets have no one spread", func(r row) string { return r.Apart }),
		text("months", "month, standard deviation in per cent, sets", func(r row) string {
			var out []string
			for _, m := range r.Months {
				out = append(out, fmt.Sprintf("%s %.3f %d", m.Month, 100*float64(m.SD), m.Sets))
			}
			return strings.Join(out, "; ")
		}),
	})
}

// DifferenceTable has one row per difference between older and new passes.
func DifferenceTable(list []reuse.Difference) Table {
	type row = reuse.Difference
	word := func(yes bool) string {
		if yes {
			return "yes"
		}
		return "no"
	}
	return newTable("differences", "In which ways older passes were not taken like the new ones", list, []field[row]{
		text("difference", "a tag, a field of the system, or a check", func(d row) string { return d.Name }),
		text("older", "values seen", func(d row) string { return strings.Join(d.Old, "; ") }),
		text("new", "values seen", func(d row) string { return strings.Join(d.New, "; ") }),
		text("matters", "yes where it can change a frame rate", func(d row) string { return word(d.Matters) }),
		text("accepted", "yes where responsibility was taken", func(d row) string { return word(d.Accepted) }),
		text("reason", "", func(d row) string { return d.Why }),
	})
}

func without(list []string, drop ...string) []string {
	var out []string
	for _, v := range list {
		keep := true
		for _, d := range drop {
			keep = keep && v != d
		}
		if keep {
			out = append(out, v)
		}
	}
	return out
}

// passTable has one row per pass.
func (r *Report) passTable() Table {
	type pass = record.Pass
	var figures []field[pass]
	for _, m := range analysis.Metrics {
		figures = append(figures, number(m.Name, m.Text, func(p pass) analysis.Number {
			if v := m.Of(p.Metrics); v > 0 {
				return analysis.Number(v)
			}
			return analysis.Undefined
		}))
	}
	return newTable("passes", "One row per pass", r.in.Passes,
		[]field[pass]{
			text("pass_id", "the first digits of sha256", func(p pass) string { return p.ID }),
			text("sha256", "of the log's bytes", func(p pass) string { return p.SHA256 }),
			text("log", "path", func(p pass) string { return p.Log }),
			text("bench", "", func(p pass) string { return p.Bench }),
			text("system", "see the page", func(p pass) string { return p.System }),
			text("started_at", "RFC 3339", func(p pass) string {
				return p.StartedAt.UTC().
					Format("2006-01-02T15:04:05.999999Z")
			}),
			text("verdict", "clean, unverified, doubtful or bad", func(p pass) string { return string(p.Verdict) }),
		},
		factorFields(r.factors, func(p pass) map[string]string { return p.Tags.Cell(r.factors) }),
		[]field[pass]{
			integer("frames", "", func(p pass) int { return p.Metrics.Frames }),
			number("duration_s", "sum of the frame times",
				func(p pass) analysis.Number { return analysis.Number(p.Metrics.DurationS) }),
		}, figures)
}

// findingTable has one row per finding.
func (r *Report) findingTable() Table {
	type finding struct {
		pass string
		record.Finding
	}
	var list []finding
	for _, p := range r.in.Passes {
		for _, f := range p.Findings {
			list = append(list, finding{p.ID, f})
		}
	}
	return newTable("findings", "One row per finding", list, []field[finding]{
		text("pass_id", "", func(f finding) string { return f.pass }),
		text("check", "", func(f finding) string { return f.Check }),
		text("outcome", "ok, doubtful, bad or not-checked", func(f finding) string { return string(f.Outcome) }),
		text("reason", "", func(f finding) string { return f.Reason }),
	})
}

// tables make the tables of the data package, one at a time, since each is as large as
// what it is made of. One without rows is there too, so that a report written over an
// earlier one leaves none of its numbers.
func (r *Report) tables() []func() Table {
	return []func() Table{
		func() Table { return CellTable(r.Cells, r.factors) },
		r.passTable,
		r.findingTable,
		func() Table { return MarginTable(r.Margins, r.factors) },
		func() Table { return TotalTable(r.Totals, r.factors) },
		func() Table { return LimitTable(r.Limits, r.factors) },
		func() Table { return OddTable(r.Odd.Odd, r.factors) },
		func() Table { return PredictionTable(r.Guesses, r.factors) },
		func() Table { return ThresholdTable(r.Holds, r.factors) },
		func() Table { return ValueTable(r.Values, r.factors) },
		func() Table { return PowerTable(r.Power, r.factors) },
		func() Table { return NoteTable(r.in.Notes, r.factors) },
	}
}
