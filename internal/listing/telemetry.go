package listing

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/stats"
	"capd.example/store"
)

// Samples is what the samples of one pass say in short.
type Samples struct {
	Samples   int                 `json:"samples"`
	Series    []seriesSummary     `json:"series"`
	Processes []record.ProcessUse `json:"processes,omitempty"`
	Missing   []record.Gap        `json:"missing,omitempty"`
}

// seriesSummary is one quantity of a pass. Of reasons, which are no amounts, it holds in
// how many samples each was given.
type seriesSummary struct {
	Name    string         `json:"name"`
	Unit    string         `json:"unit"`
	Source  string         `json:"source"`
	Known   int            `json:"known"` // samples with a value
	Min     *float64       `json:"min,omitempty"`
	Median  *float64       `json:"median,omitempty"`
	Max     *float64       `json:"max,omitempty"`
	Start   *float64       `json:"start,omitempty"` // first and last value
	End     *float64       `json:"end,omitempty"`
	Reasons map[string]int `json:"reasons,omitempty"`
}

// summed returns the summary of the samples of a pass, nil where none are stored.
func summed(t *record.Telemetry) *Samples {
	if t == nil {
		return nil
	}
	out := &Samples{Samples: len(t.At), Processes: t.Processes, Missing: t.Missing}
	for _, s := range t.Series {
		out.Series = append(out.Series, summedSeries(s))
	}
	return out
}

func summedSeries(s record.Series) seriesSummary {
	known := s.Known()
	out := seriesSummary{Name: s.Name, Unit: s.Unit, Source: s.Source, Known: len(known)}
	if len(known) == 0 {
		return out
	}
	if strings.HasPrefix(s.Name, "gpu.") && strings.HasSuffix(s.Name, ".throttle") {
		out.Reasons = reasonsIn(known)
		return out
	}
	median, _ := stats.Quantile(known, 0.5, 7)
	low, high, first, last := slices.Min(known), slices.Max(known), known[0], known[len(known)-1]
	out.Min, out.Median, out.Max, out.Start, out.End = &low, &median, &high, &first, &last
	return out
}

// reasonsIn counts the samples in which each reason for slower clocks was given.
func reasonsIn(masks []float64) map[string]int {
	out := map[string]int{}
	for _, m := range masks {
		for name, bit := range map[string]int{"power limit": record.ThrottlePower, "heat": record.ThrottleThermal,
			"hardware slowdown": record.ThrottleHard, "other": record.ThrottleOther} {
			if int(m)&bit != 0 {
				out[name]++
			}
		}
	}
	return out
}

// SamplesOf reads and sums up the samples of a pass.
func SamplesOf(ctx context.Context, s store.Reader, id string) (*Samples, error) {
	t, err := s.Telemetry(ctx, id)
	if errors.Is(err, store.ErrCorrupt) {
		return nil, cli.FailedError(err, "'capctl verify' lists all that is damaged")
	}
	if err != nil {
		return nil, cli.FailedError(err)
	}
	return summed(t), nil
}

// ShowSamples prints what the samples of a pass say in short.
func ShowSamples(a *cli.Streams, t *Samples) {
	if t == nil {
		safe.Fprintln(a.Out, "this pass has no stored samples")
		return
	}
	safe.Fprintf(a.Out, "\n%s\n", record.Count(t.Samples, "sample"))
	var rows []table.Row
	for _, s := range folded(t.Series) {
		if s.Min == nil {
			rows = append(rows, table.Row{s.Name, "", "", "", "", "", reasonText(s)})
			continue
		}
		rows = append(rows, table.Row{s.Name, amount(*s.Min), amount(*s.Median), amount(*s.Max), amount(*s.Start),
			amount(*s.End), s.Unit})
	}
	output.Table(a.Out, table.Row{"series", "min", "median", "max", "start", "end", "unit"}, rows)
	for _, p := range t.Processes {
		role := ""
		switch {
		case p.Rival:
			role = ", perhaps the measured program"
		case p.Game:
			role = ", the measured program"
		}
		safe.Fprintf(a.Out, "%-10s %s %.1f %% of one core%s%s\n", "program", p.Name, p.Percent, cardText(p.Cards), role)
	}
	for _, g := range t.Missing {
		safe.Fprintf(a.Out, "%-10s %s: %s, %s\n", "missing", g.Name, g.Why, g.Text)
	}
}

// cardText says what a program used of the graphics cards.
func cardText(cards []record.CardUse) string {
	text := ""
	for _, c := range cards {
		text += fmt.Sprintf(", %.1f %% of graphics card %d", c.Shading, c.Card)
		if c.Copy >= 0.05 {
			text += fmt.Sprintf(", copies %.1f %%", c.Copy)
		}
		if c.Video >= 0.05 {
			text += fmt.Sprintf(", video %.1f %%", c.Video)
		}
		if c.Memory > 0 {
			text += fmt.Sprintf(", %.2f GiB of its memory", float64(c.Memory)/(1<<30))
		}
	}
	return text
}

func reasonText(s seriesSummary) string {
	if s.Known == 0 {
		return "never read"
	}
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(s.Reasons)) {
		parts = append(parts, fmt.Sprintf("%s in %d of %d samples", name, s.Reasons[name], s.Known))
	}
	if len(parts) == 0 {
		return "nothing limited it"
	}
	return strings.Join(parts, ", ")
}

// amount prints a value with four digits that count.
func amount(x float64) string {
	if math.Abs(x) >= 1000 || x == math.Trunc(x) {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'f', max(0, 3-int(math.Floor(math.Log10(math.Abs(x))))), 64)
}

var coreSeries = regexp.MustCompile(`^cpu\.core\.\d+\.`)

// folded puts the series of all cores into one row each for people: the extremes of all,
// and the medians of the others.
func folded(list []seriesSummary) []seriesSummary {
	var out []seriesSummary
	cores := map[string][]seriesSummary{}
	at := map[string]int{}
	for _, s := range list {
		head := coreSeries.FindString(s.Name)
		if head == "" || s.Min == nil {
			out = append(out, s)
			continue
		}
		kind := s.Name[len(head):]
		if len(cores[kind]) == 0 {
			at[kind] = len(out)
			out = append(out, s)
		}
		cores[kind] = append(cores[kind], s)
	}
	for kind, of := range cores {
		pick := func(get func(seriesSummary) float64) *float64 {
			var x []float64
			for _, s := range of {
				x = append(x, get(s))
			}
			m, _ := stats.Quantile(x, 0.5, 7)
			return &m
		}
		s := of[0]
		s.Name = fmt.Sprintf("cpu.core.*.%s (%d)", kind, len(of))
		for _, o := range of {
			low, high := min(*s.Min, *o.Min), max(*s.Max, *o.Max)
			s.Min, s.Max = &low, &high
		}
		s.Median = pick(func(s seriesSummary) float64 { return *s.Median })
		s.Start = pick(func(s seriesSummary) float64 { return *s.Start })
		s.End = pick(func(s seriesSummary) float64 { return *s.End })
		out[at[kind]] = s
	}
	return out
}
