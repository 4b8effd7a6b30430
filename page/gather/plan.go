package gather

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"

	"capd.example/campaign"
	"capd.example/internal/logbook"
	"capd.example/page/view"
	"capd.example/record"
)

// shownAhead is how many cells after the next one are named.
const shownAhead = 3

// reading reads where the campaign stands. To work that out goes through all of its passes:
// while another one is recorded the last reading still holds, unless somebody gave an order. The
// lock is held for no longer: what is drawn of a reading changes nothing in it nor in the book.
func (g *Gatherer) reading(ctx context.Context, recording bool) (*logbook.Page, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.book.Lock()
	defer g.book.Unlock()
	if recording && g.last != nil {
		if orders, err := g.book.Orders(ctx, g.Store, g.Name); err != nil || len(orders) == len(g.last.Orders) {
			return g.last, err
		}
	}
	at, err := g.book.Read(ctx, g.Store, g.Name)
	if err != nil {
		return nil, err
	}
	g.last = &at
	return g.last, nil
}

// standing says where the campaign stands.
func (g *Gatherer) standing(ctx context.Context, recording bool) (*view.Plan, error) {
	if g.book == nil {
		return nil, g.noBook
	}
	at, err := g.reading(ctx, recording)
	if err != nil {
		return nil, err
	}
	g.mu.Lock()
	p, of := g.stood, g.stoodOf
	g.mu.Unlock()
	if of == at {
		return p, nil
	}
	p = g.plan(*at)
	g.mu.Lock()
	g.stood, g.stoodOf = p, at
	g.mu.Unlock()
	return p, nil
}

func (g *Gatherer) plan(at logbook.Page) *view.Plan {
	plan, pos, cover := g.book.Plan, at.Position, at.Coverage
	sum, _, _ := cover.Sum(nil)
	out := &view.Plan{Name: g.book.Campaign.Name, Total: sum.Wanted, Have: sum.Done, Advice: cover.Advice(pos.Cell, pos),
		Cell: pos.Cell + 1, Key: g.book.Key(pos.Cell), Map: g.coverage(at, nil, mostFields)}
	out.Passes, out.Minutes = cover.All(pos)
	out.Left = g.left(out.Minutes)
	out.Cells = cellStates(at)
	from := pos.Cell
	if from >= 0 {
		s := cover.State(from)
		_, control := cover.ControlNow(pos)
		out.Stay = pos.Stay || control
		out.Where, out.Next, out.Done, out.Wanted = plan.Where(from), plan.Name(from), s.Done, s.Wanted
		if !s.Complete() {
			out.Pass = cover.NextPass(from)
		}
	}
	for _, i := range cover.Ahead(pos, shownAhead+1) {
		if i == pos.Cell || len(out.Ahead) == shownAhead {
			continue
		}
		out.Ahead = append(out.Ahead, view.Ahead{Cell: i + 1, Change: g.change(from, i), Passes: cover.State(i).Missing()})
		from = i
	}
	return out
}

// cellStates counts the cells by how far they are.
func cellStates(at logbook.Page) map[view.State]int {
	out := map[view.State]int{}
	for i := range at.Coverage.Plan.Len() {
		x := &sum{}
		x.add(at, i)
		out[x.state()]++
	}
	return out
}

// change is what to change from one cell to another, or from nothing.
func (g *Gatherer) change(from, to int) string {
	if from < 0 {
		return g.book.Plan.Name(to)
	}
	return strings.Join(g.book.Plan.Moves(from, to), ", ")
}

// left is how long the rest takes, "" for nothing.
func (g *Gatherer) left(minutes float64) string {
	hours := minutes / 60
	day := g.book.Campaign.HoursPerDay
	switch {
	case minutes <= 0:
		return ""
	case hours < 1:
		return record.Count(int(math.Ceil(minutes)), "minute")
	case day > 0 && hours > 2*day:
		return fmt.Sprintf("%.1f working days", hours/day)
	}
	return fmt.Sprintf("%.1f hours", hours)
}

const (
	// mostFields is how many fields the map on the page has: with all around them they stay
	// below 40 kB, and a phone can show them. A larger campaign is summed up.
	mostFields = 320
	// mostFieldsOfPart is how many the map of a part has.
	mostFieldsOfPart = 3000
	// mostColumns is how many of them stand beside each other.
	mostColumns = 8
)

// axes chooses the factors that are told apart: the costly ones down, the cheap ones across,
// those with one level alone not at all, and the cheapest summed up where there would be too
// many fields.
func (g *Gatherer) axes(cells []int, most int) (rows, columns []string, whole bool) {
	levels := map[string]map[string]bool{}
	for _, i := range cells {
		for name, v := range g.book.Plan.Cell(i) {
			if levels[name] == nil {
				levels[name] = map[string]bool{}
			}
			levels[name][v] = true
		}
	}
	var told []string // the costliest first
	for _, f := range g.book.Plan.Factors() {
		if len(levels[f.Name]) > 1 {
			told = append(told, f.Name)
		}
	}
	whole = true
	for len(told) > 1 && g.groups(cells, told) > most {
		told, whole = told[:len(told)-1], false
	}
	width := 1
	k := len(told)
	for k > 1 && width*len(levels[told[k-1]]) <= mostColumns {
		k--
		width *= len(levels[told[k]])
	}
	return told[:k], told[k:], whole
}

// groups counts the fields that cells make.
func (g *Gatherer) groups(cells []int, by []string) int {
	seen := map[string]bool{}
	for _, i := range cells {
		seen[key(g.book.Plan.Cell(i), by)] = true
	}
	return len(seen)
}

func key(values map[string]string, of []string) string {
	parts := make([]string, len(of))
	for i, f := range of {
		parts[i] = values[f]
	}
	return strings.Join(parts, "\x00")
}

// named is a key for people; a factor that a cell does not have leaves nothing.
func named(key string) string {
	return strings.Join(slices.DeleteFunc(strings.Split(key, "\x00"), func(s string) bool { return s == "" }), " / ")
}

// sum is what the cells of one field have in common.
type sum struct {
	cells                      []int
	done, wanted, bad, skipped int
	now                        bool
}

// coverage draws the cells with these levels as a map of so many fields at most.
func (g *Gatherer) coverage(at logbook.Page, only map[string]string, most int) view.Map {
	cells, err := g.book.Plan.Find(only)
	if err != nil || len(cells) == 0 {
		return view.Map{}
	}
	rows, columns, whole := g.axes(cells, most)
	sums := map[[2]string]*sum{}
	var rowKeys, columnKeys []string
	for _, i := range cells {
		values := g.book.Plan.Cell(i)
		k := [2]string{key(values, rows), key(values, columns)}
		x := sums[k]
		if x == nil {
			x = &sum{}
			sums[k] = x
			if !slices.Contains(rowKeys, k[0]) {
				rowKeys = append(rowKeys, k[0])
			}
			if !slices.Contains(columnKeys, k[1]) {
				columnKeys = append(columnKeys, k[1])
			}
		}
		x.add(at, i)
	}
	slices.SortFunc(rowKeys, g.byLevels(rows))
	slices.SortFunc(columnKeys, g.byLevels(columns))
	m := view.Map{Caption: "Coverage by " + strings.Join(rows, ", "), Heads: heads(columnKeys, len(columns)),
		Corner: strings.Join(rows, " / ")}
	before := ""
	for _, r := range rowKeys {
		group, name := "", r
		if i := strings.LastIndex(r, "\x00"); i >= 0 {
			group, name = named(r[:i]), r[i+1:]
		}
		row := view.Row{Name: name}
		if group != before {
			row.Group, before = group, group
		}
		for _, c := range columnKeys {
			row.Fields = append(row.Fields, g.field(sums[[2]string{r, c}], rows, columns, only, whole))
		}
		m.Rows = append(m.Rows, row)
	}
	return m
}

func (x *sum) add(at logbook.Page, i int) {
	s := at.Coverage.State(i)
	x.cells = append(x.cells, i)
	x.done += min(s.Done, s.Wanted)
	x.wanted += s.Wanted
	if !s.Complete() {
		x.bad += s.Bad
		if at.Position.Skipped[i] {
			x.skipped++
		}
	}
	x.now = x.now || at.Position.Cell == i
}

func (x *sum) state() view.State {
	switch {
	case x.done >= x.wanted:
		return view.Done
	case x.skipped == len(x.cells):
		return view.Skipped
	case x.bad > 0:
		return view.Failed
	case x.done == 0:
		return view.Open
	}
	return view.Begun
}

// field shows the sum of cells.
func (g *Gatherer) field(x *sum, rows, columns []string, only map[string]string, whole bool) view.Field {
	if x == nil {
		return view.Field{State: view.Absent}
	}
	f := view.Field{Now: x.now, Text: fmt.Sprint(x.done), State: x.state()}
	if len(x.cells) > 1 {
		f.Text = fmt.Sprintf("%d/%d", x.done, x.wanted)
	}
	switch f.State {
	case view.Failed:
		f.Text += "×"
	case view.Skipped:
		f.Text = "–"
	}
	if whole {
		f.Link = fmt.Sprintf("/cell/%d", x.cells[0]+1)
		return f
	}
	part := url.Values{}
	for name, v := range only {
		part.Set(name, v)
	}
	values := g.book.Plan.Cell(x.cells[0])
	for _, name := range append(slices.Clone(rows), columns...) {
		if values[name] != "" {
			part.Set(name, values[name])
		}
	}
	f.Link = "/map?" + part.Encode()
	return f
}

// byLevels orders keys as the levels stand in the campaign.
func (g *Gatherer) byLevels(factors []string) func(x, y string) int {
	return func(x, y string) int {
		xs, ys := strings.Split(x, "\x00"), strings.Split(y, "\x00")
		for i, name := range factors {
			f, _ := g.book.Campaign.Factor(name)
			if d := slices.Index(f.Levels, xs[i]) - slices.Index(f.Levels, ys[i]); d != 0 {
				return d
			}
		}
		return 0
	}
}

// heads are the names of columns by level; neighbours under one name share it.
func heads(keys []string, levels int) [][]view.Head {
	out := make([][]view.Head, levels)
	var before []string
	for _, k := range keys {
		parts := strings.Split(k, "\x00")
		other := before == nil
		for l := range levels {
			other = other || parts[l] != before[l]
			if n := len(out[l]); !other {
				out[l][n-1].Span++
			} else {
				out[l] = append(out[l], view.Head{Name: parts[l], Span: 1})
			}
		}
		before = parts
	}
	return out
}

// Map implements [view.Source].
func (g *Gatherer) Map(ctx context.Context, only map[string]string) (view.Part, error) {
	v := view.Part{Bench: g.Name}
	ctx, stop := context.WithTimeout(ctx, 2*patience)
	defer stop()
	at, err := g.open(ctx)
	if err != nil {
		return v, err
	}
	if cells, err := g.book.Plan.Find(only); err != nil || len(cells) == 0 {
		return v, view.ErrNone
	}
	var names []string
	for _, f := range g.book.Plan.Factors() {
		if only[f.Name] != "" {
			names = append(names, only[f.Name])
		}
	}
	if v.Name = strings.Join(names, " / "); v.Name == "" {
		v.Name = g.book.Campaign.Name
	}
	v.Map = g.coverage(at, only, mostFieldsOfPart)
	return v, nil
}

// open reads the campaign for a page of its own.
func (g *Gatherer) open(ctx context.Context) (at logbook.Page, err error) {
	if g.book == nil {
		return at, view.ErrNone
	}
	s, err := g.Agent.Status(ctx)
	p, err := g.reading(ctx, err == nil && s.Recording != nil)
	if err != nil {
		return at, err
	}
	return *p, nil
}

// Cell implements [view.Source].
func (g *Gatherer) Cell(ctx context.Context, n int) (view.Cell, error) {
	v := view.Cell{Bench: g.Name, Number: n}
	ctx, stop := context.WithTimeout(ctx, 2*patience)
	defer stop()
	at, err := g.open(ctx)
	if err != nil {
		return v, err
	}
	cell := n - 1
	if cell < 0 || cell >= g.book.Plan.Len() {
		return v, view.ErrNone
	}
	v.Cells, v.Name, v.Now = g.book.Plan.Len(), g.book.Plan.Name(cell), at.Position.Cell == cell
	v.Key = g.book.Key(cell)
	v.State, v.Skip = stateOf(at, cell), at.Position.Skipped[cell]
	if !v.Now && at.Position.Cell >= 0 {
		v.Change = g.change(at.Position.Cell, cell)
	}
	passes := at.Coverage.Passes(cell)
	for _, p := range passes {
		v.Passes = append(v.Passes, g.short(p))
	}
	if len(passes) > 0 {
		v.Charts = []view.Drawn{history(v.Name, passes)}
	}
	return v, nil
}

// stateOf says how far a cell is.
func stateOf(at logbook.Page, cell int) string {
	s := at.Coverage.State(cell)
	text := fmt.Sprintf("%d of %s good", s.Done, record.Count(s.Wanted, "pass"))
	var also []string
	for _, q := range []struct {
		n int
		v record.Verdict
	}{{s.Bad, record.VerdictBad}, {s.Doubtful, record.VerdictDoubtful}, {s.Unverified, record.Unverified}} {
		if q.n > 0 {
			also = append(also, fmt.Sprintf("%d %s", q.n, q.v))
		}
	}
	if len(also) > 0 {
		text += "; " + strings.Join(also, ", ")
	}
	if at.Position.Skipped[cell] {
		text += "; skipped"
	}
	return text
}

// cellOf returns the cell of a pass from 1, 0 for none.
func (g *Gatherer) cellOf(p record.Pass) int {
	if g.book == nil {
		return 0
	}
	g.book.Lock()
	defer g.book.Unlock()
	if !g.book.Campaign.Belongs(p, campaign.Era{}) {
		return 0
	}
	i, _ := g.book.Plan.Place(g.book.Named(p).Tags)
	return i + 1
}
