package steering

import (
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/campaign"
	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/tag"
)

// coverageLine is a line of `capctl coverage --json`.
type coverageLine struct {
	Cell int               `json:"cell"`
	Tags map[string]string `json:"tags"`
	campaign.State
	Missing int                   `json:"missing"`
	Skipped bool                  `json:"skipped,omitempty"`
	Current bool                  `json:"current,omitempty"`
	Control *campaign.ControlCell `json:"control,omitempty"` // of a control cell
	Passes  []passMark            `json:"passes"`
}

type passMark struct {
	ID      string         `json:"id"`
	Verdict record.Verdict `json:"verdict"`
}

// strayLine is a line about a pass that belongs to no cell.
type strayLine struct {
	Unplaced string `json:"unplaced"`
	Log      string `json:"log"`
	Why      string `json:"why"`
}

// CoverageLines prints cells, then the passes that belong to none, as JSON.
func CoverageLines(a *cli.Streams, b *logbook.Book, page logbook.Page, cells []int) error {
	for _, i := range cells {
		s := page.Coverage.State(i)
		l := coverageLine{Cell: i + 1, Tags: b.Plan.Cell(i), State: s, Missing: s.Missing(),
			Skipped: page.Position.Skipped[i], Current: page.Position.Cell == i, Passes: []passMark{}}
		if k, ok := page.Coverage.Control(i); ok {
			l.Control = &k
		}
		for _, p := range page.Coverage.Passes(i) {
			l.Passes = append(l.Passes, passMark{p.ID, p.Verdict})
		}
		if err := output.JSON(a.Out, l); err != nil {
			return cli.FailedError(err)
		}
	}
	for _, u := range page.Coverage.Unplaced {
		if err := output.JSON(a.Out, strayLine{u.Pass.ID, u.Pass.Log, whyStray(b, u)}); err != nil {
			return cli.FailedError(err)
		}
	}
	return nil
}

// Axes returns the factors of the rows and columns: those asked for, else the costly ones
// down and the cheap ones across.
func Axes(b *logbook.Book, askedRows, askedColumns []string) (rows, columns []string, err error) {
	for _, f := range append(slices.Clone(askedRows), askedColumns...) {
		if _, ok := b.Campaign.Factor(f); !ok {
			return nil, nil, cli.UsageError(fmt.Errorf("the campaign has no factor %q; it has %s", f,
				strings.Join(b.Campaign.FactorNames(), ", ")))
		}
	}
	rows, columns = askedRows, askedColumns
	used := append(slices.Clone(rows), columns...)
	const wide = 8 // columns that fit
	factors := b.Plan.Factors()
	slices.Reverse(factors)
	width, full := 1, len(columns) > 0
	var rest []string
	for i, f := range factors { // the cheapest first; the costliest is always a row
		switch {
		case slices.Contains(used, f.Name):
		case !full && width*len(f.Levels) <= wide && (i < len(factors)-1 || len(rows) > 0):
			width *= len(f.Levels)
			columns = append([]string{f.Name}, columns...)
		case len(askedRows) == 0:
			full = true
			rest = append([]string{f.Name}, rest...)
		}
	}
	return append(slices.Clone(rows), rest...), columns, nil
}

// Matrix prints done and wanted passes; a field that stands for several cells is their sum.
func Matrix(a *cli.Streams, b *logbook.Book, page logbook.Page, cells []int, rows, columns []string) {
	var rowKeys, colKeys []string
	sums := map[string]map[string]*sum{}
	for _, i := range cells {
		values := b.Plan.Cell(i)
		r, col := under(values, rows), under(values, columns)
		if sums[r] == nil {
			sums[r] = map[string]*sum{}
			rowKeys = append(rowKeys, r)
		}
		if !slices.Contains(colKeys, col) {
			colKeys = append(colKeys, col)
		}
		if sums[r][col] == nil {
			sums[r][col] = &sum{}
		}
		sums[r][col].add(page, i)
	}
	slices.SortFunc(rowKeys, byLevels(b, rows))
	slices.SortFunc(colKeys, byLevels(b, columns))
	head := table.Row{strings.Join(rows, " / ")}
	for _, k := range colKeys {
		head = append(head, strings.ReplaceAll(k, "\x00", " / "))
	}
	var out []table.Row
	for _, r := range rowKeys {
		row := table.Row{strings.ReplaceAll(r, "\x00", " / ")}
		for _, k := range colKeys {
			row = append(row, sums[r][k].text())
		}
		out = append(out, row)
	}
	output.Table(a.Out, head, out)
}

func under(values map[string]string, factors []string) string {
	parts := make([]string, len(factors))
	for i, f := range factors {
		if parts[i] = values[f]; parts[i] == "" {
			parts[i] = "-"
		}
	}
	return strings.Join(parts, "\x00")
}

// byLevels orders headings as the levels stand in the campaign.
func byLevels(b *logbook.Book, factors []string) func(x, y string) int {
	return func(x, y string) int {
		xs, ys := strings.Split(x, "\x00"), strings.Split(y, "\x00")
		for i, name := range factors {
			f, _ := b.Campaign.Factor(name)
			if d := slices.Index(f.Levels, xs[i]) - slices.Index(f.Levels, ys[i]); d != 0 {
				return d
			}
		}
		return 0
	}
}

// sum is one field of the matrix.
type sum struct {
	wanted, done, bad    int
	doubtful, unverified int // as far as the campaign does not accept them
	skipped, current     bool
}

func (s *sum) add(page logbook.Page, i int) {
	st := page.Coverage.State(i)
	s.wanted += st.Wanted
	s.done += min(st.Done, st.Wanted)
	if !st.Complete() {
		s.bad += st.Bad
		accept := page.Coverage.Plan.Campaign.Accept
		if !slices.Contains(accept, record.VerdictDoubtful) {
			s.doubtful += st.Doubtful
		}
		if !slices.Contains(accept, record.Unverified) {
			s.unverified += st.Unverified
		}
	}
	s.skipped = s.skipped || page.Position.Skipped[i]
	s.current = s.current || page.Position.Cell == i
}

func (s *sum) text() string {
	if s == nil {
		return ""
	}
	t := fmt.Sprintf("%d/%d", s.done, s.wanted)
	if s.bad+s.doubtful+s.unverified > 0 {
		t += " good"
	}
	for _, q := range []struct {
		n    int
		what record.Verdict
	}{{s.bad, record.VerdictBad}, {s.doubtful, record.VerdictDoubtful}, {s.unverified, record.Unverified}} {
		if q.n > 0 {
			t += fmt.Sprintf(", %d %s", q.n, q.what)
		}
	}
	if s.skipped {
		t += ", skipped"
	}
	if s.current {
		t = "> " + t
	}
	return t
}

// OpenCells lists the cells that are not complete, with the passes that must be repeated.
func OpenCells(a *cli.Streams, b *logbook.Book, page logbook.Page, cells []int) {
	var rows []table.Row
	for _, i := range cells {
		s := page.Coverage.State(i)
		if s.Complete() {
			continue
		}
		var repeat []string
		for _, p := range page.Coverage.Passes(i) {
			if !slices.Contains(b.Campaign.Accept, p.Verdict) {
				repeat = append(repeat, fmt.Sprintf("%s %s", p.Verdict, p.ID))
			}
		}
		note := strings.Join(repeat, ", ")
		if page.Position.Skipped[i] {
			note = strings.TrimSpace("skipped " + note)
		}
		rows = append(rows, table.Row{i + 1, b.Plan.Name(i), fmt.Sprintf("%d/%d", s.Done, s.Wanted), note})
	}
	output.Table(a.Out, table.Row{"cell", "name", "done", "repeat"}, rows)
}

// CoverageSummary prints what stands below the matrix or the list.
func CoverageSummary(a *cli.Streams, b *logbook.Book, page logbook.Page, only map[string]string) {
	s, cells, complete := page.Coverage.Sum(only)
	safe.Fprintf(a.Out, "\n%s: %d of %s complete, %d of %s done; %d bad, %d doubtful, %d unverified\n",
		b.Campaign.Name, complete, record.Count(cells, "cell"), s.Done, record.Count(s.Wanted, "pass"), s.Bad, s.Doubtful,
		s.Unverified)
	if b.Campaign.Control != nil {
		done, enough := page.Coverage.Repeats()
		safe.Fprintf(a.Out, "control cells: measured again in %s; %d are enough\n", record.Count(done, "further session"),
			enough)
	}
	sayLeft(a, b, page)
	beforeTheSwap(a, b, page)
	if n := page.Others; n > 0 {
		safe.Fprintf(a.Out, "not counted: %s of other campaigns or another time\n", record.Count(n, "pass"))
	}
	strays(a, b, page)
}

// settings are factors that no part has to be taken out for.
var settings = []string{record.TagGame, record.TagScene, record.TagResolution, record.TagPreset}

// beforeTheSwap says what is open for the parts that are built in.
func beforeTheSwap(a *cli.Streams, b *logbook.Book, page logbook.Page) {
	cell := page.Position.Cell
	if cell < 0 {
		return
	}
	for _, o := range page.Coverage.Before(page.Position, cell) {
		if slices.Contains(settings, o.Factor) {
			continue
		}
		what := b.Plan.Cell(cell)[o.Factor]
		if o.Passes == 0 && page.Position.Control {
			safe.Fprintf(a.Out, "before you take out %s: %s\n", what, a.Carry(page.Coverage.Advice(cell, page.Position)))
			continue
		}
		if o.Passes == 0 {
			safe.Fprintf(a.Out, "nothing is open with %s: %s can be taken out\n", strings.Join(o.With, " "), what)
			continue
		}
		safe.Fprintf(a.Out, "before you take out %s: %s with %s open", what, record.Count(len(o.Cells), "cell"),
			record.Count(o.Passes, "pass"))
		if o.Bad > 0 {
			safe.Fprintf(a.Out, "; %s recorded there and bad", record.Count(o.Bad, "pass"))
		}
		safe.Fprintln(a.Out, a.Carry("; list them with: capctl coverage --open"+onlyFlags(o.With)))
	}
}

func onlyFlags(with []string) string {
	var s string
	for _, w := range with {
		name, level, _ := strings.Cut(w, "=")
		s += " --only " + cli.Quoted(name) + "=" + cli.Quoted(level)
	}
	return s
}

// whyStray says why a pass has no cell; a name that two levels claim is told apart from
// one that none does.
func whyStray(b *logbook.Book, u campaign.Unplaced) string {
	for _, f := range b.Campaign.FactorNames() {
		name := u.Pass.Tags.Value(f)
		if _, m := b.Aliases.Short(f, name); name != "" && m.Kind == tag.Ambiguous {
			return fmt.Sprintf("%s %q fits several levels: %s; write their exact names under [aliases.%s]", f, name,
				strings.Join(m.Candidates, ", "), f)
		}
	}
	return u.Why
}

func strays(a *cli.Streams, b *logbook.Book, page logbook.Page) {
	list := page.Coverage.Unplaced
	if len(list) == 0 {
		return
	}
	safe.Fprintln(a.Out, a.Carry(record.Count(len(list), "pass")+
		" without a cell; correct one with 'capctl tag ID name=value':"))
	const most = 20
	for i, u := range list {
		if i == most {
			safe.Fprintf(a.Out, "  and %d more: --json lists all\n", len(list)-most)
			break
		}
		safe.Fprintf(a.Out, "  %s %s: %s\n", u.Pass.ID, u.Pass.Log, whyStray(b, u))
	}
}
