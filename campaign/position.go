package campaign

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"capd.example/internal/text"
	"capd.example/record"
)

// Verb is what the reviewer ordered.
type Verb string

// The verbs.
const (
	Begin Verb = "begin" // go to a cell; a skipped one is taken up again
	Next  Verb = "next"  // go on to a cell
	Back  Verb = "back"  // go to a cell and stay there until told otherwise
	Skip  Verb = "skip"  // leave a cell out until it is begun again
	// Keep takes a skipped cell up again. Where skipping it moved the position, and nothing
	// was recorded or ordered since but other skips, the position is there again.
	Keep Verb = "keep"
	// Measure is to measure a control cell in the session that begins, and to go back to
	// where the position was.
	Measure Verb = "control"
)

// Order is one order of the reviewer about the position. Cells are kept by their values,
// so that a campaign that is changed meanwhile leaves them right.
type Order struct {
	Verb Verb              `json:"verb"`
	Cell map[string]string `json:"cell"` // to go to; of Skip, the one to leave out
	Stay bool              `json:"stay,omitempty"`
	At   time.Time         `json:"at"`
}

// Step is one entry in the history of the position.
type Step struct {
	Cell  int
	Since time.Time
	Why   string // a Verb, or "complete" when the position went on by itself, also to a control cell
}

// Position is where the reviewer is in the plan.
type Position struct {
	Cell    int  // -1: nothing was begun, or all is done
	Stay    bool // does not go on by itself
	Skipped map[int]bool
	// Control says that the cell is there as the control cell of a session. Its passes are
	// wanted though the cell is complete, and then the position goes back.
	Control bool
	// NoControl are control cells that are not to be asked for, by an order to skip them.
	NoControl map[int]bool
	History   []Step // oldest first
	// Lost are orders about cells that the campaign has no more.
	Lost []Order

	home  int // cell to go back to from a control cell
	until int // sessions that the control cell is to have then
}

// Replay works out the position from what the reviewer ordered, in the order given, and
// from the passes of the bench and any others. It goes on by itself when the current cell is
// complete, at the time when the pass that completed it ended. As it is worked out anew
// each time, passes may come in any order, late, or be corrected afterwards.
//
// Where the clock was set back between two orders, they still count in the order given.
func (p *Plan) Replay(orders []Order, passes []record.Pass) (Position, *Coverage) {
	return p.ReplayOn(orders, passes, Now{})
}

// ReplayOn is [Plan.Replay] where it is known of which bench the position is and what time
// it is: control cells are asked for in the sessions of that bench.
func (p *Plan) ReplayOn(orders []Order, passes []record.Pass, now Now) (Position, *Coverage) {
	r := replay{plan: p, cover: p.cover(), pos: Position{Cell: -1, Skipped: map[int]bool{}, NoControl: map[int]bool{}},
		bench: now.Bench}
	r.cover.control = p.controlled(passes, now)
	rest := make([]int, len(passes)) // sorting the passes themselves would move a lot
	for i := range rest {
		rest[i] = i
	}
	slices.SortFunc(rest, func(a, b int) int { return cmp.Or(passes[a].EndedAt.Compare(passes[b].EndedAt), a-b) })
	var clock time.Time
	for _, o := range orders {
		if o.At.After(clock) {
			clock = o.At
		}
		for len(rest) > 0 && passes[rest[0]].EndedAt.Before(clock) {
			r.pass(&passes[rest[0]])
			rest = rest[1:]
		}
		r.order(o)
	}
	for _, i := range rest {
		r.pass(&passes[i])
	}
	return r.pos, r.cover
}

type replay struct {
	plan  *Plan
	cover *Coverage
	pos   Position
	left  []stand // by skipping, the latest last, as long as nothing else happened
	bench string
}

// stand is where the position stood.
type stand struct {
	cell, home, until int
	stay, control     bool
}

func (r *replay) pass(pass *record.Pass) {
	cell := r.cover.add(pass)
	if cell >= 0 && (r.bench == "" || pass.Bench == r.bench) {
		r.left = nil
	}
	if r.pos.Control && r.cover.control.left(r.pos.Cell, cell, pass) {
		r.pos.NoControl[r.pos.Cell] = true // its parts are out: it cannot be measured now
		cell = r.pos.Cell
	}
	if cell == r.pos.Cell {
		r.settle(pass.EndedAt)
	}
}

func (r *replay) order(o Order) {
	cell, ok := r.plan.indexOf(o.Cell)
	if !ok {
		r.pos.Lost = append(r.pos.Lost, o)
		return
	}
	switch o.Verb {
	case Keep:
		delete(r.pos.Skipped, cell)
		delete(r.pos.NoControl, cell)
		r.comeBack(cell, o.At)
		return
	case Measure:
		r.left = nil
		if state, ok := r.cover.Control(cell); ok {
			r.detour(cell, state, o.At, string(o.Verb))
		}
		return
	}
	if o.Verb == Skip {
		if r.pos.Control && cell == r.pos.Cell {
			r.pos.NoControl[cell] = true
		} else {
			r.pos.Skipped[cell] = true
		}
		if cell == r.pos.Cell {
			r.left = append(r.left, stand{cell, r.pos.home, r.pos.until, r.pos.Stay, r.pos.Control})
			r.pos.Stay = false
			r.settle(o.At)
		}
		return
	}
	r.left = nil
	delete(r.pos.Skipped, cell)
	delete(r.pos.NoControl, cell)
	r.pos.Stay, r.pos.Control = o.Stay, false
	r.move(cell, o.At, string(o.Verb))
	r.settle(o.At)
}

// comeBack goes back to a cell that skipping it left, if nothing happened there since.
func (r *replay) comeBack(cell int, at time.Time) {
	i := slices.IndexFunc(r.left, func(s stand) bool { return s.cell == cell })
	if i < 0 {
		return
	}
	s := r.left[i]
	r.left = r.left[:i]
	r.pos.Stay, r.pos.Control, r.pos.home, r.pos.until = s.stay, s.control, s.home, s.until
	r.move(cell, at, string(Keep))
}

func (r *replay) move(cell int, at time.Time, why string) {
	r.pos.Cell = cell
	if cell >= 0 {
		r.pos.History = append(r.pos.History, Step{cell, at, why})
	}
}

// settle goes on while the current cell is done with.
func (r *replay) settle(at time.Time) {
	if r.pos.Cell < 0 || r.pos.Stay {
		return
	}
	if r.pos.Control {
		state, _ := r.cover.Control(r.pos.Cell)
		if state.Sessions < r.pos.until && !r.pos.NoControl[r.pos.Cell] {
			return
		}
		r.pos.Control = false
		if r.open(r.pos.home) {
			r.move(r.pos.home, at, "complete")
			return
		}
		r.pos.Cell = r.pos.home
	} else if r.open(r.pos.Cell) {
		return
	}
	next := r.cover.Next(r.pos)
	if cell := r.cover.controlBefore(r.pos.Cell, next, r.pos); cell >= 0 {
		state, _ := r.cover.Control(cell)
		r.detour(cell, state, at, "complete")
		return
	}
	if cell := r.cover.controlAfter(r.pos.Cell, next, r.pos); cell >= 0 {
		state, _ := r.cover.Control(cell)
		r.pos.Cell = next
		r.detour(cell, state, at, "complete")
		return
	}
	r.move(next, at, "complete")
}

// detour goes to a control cell until it has its passes in one session more.
func (r *replay) detour(cell int, state ControlCell, at time.Time, why string) {
	if !r.pos.Control {
		r.pos.home = r.pos.Cell
	}
	if r.pos.home < 0 {
		r.pos.home = cell
	}
	delete(r.pos.NoControl, cell)
	r.pos.Control, r.pos.Stay, r.pos.until = true, false, state.Sessions+1
	r.move(cell, at, why)
}

func (r *replay) open(i int) bool { return r.cover.open(r.pos, i) }

func (c *Coverage) open(pos Position, i int) bool {
	return !c.state[i].Complete() && !pos.Skipped[i]
}

// indexOf finds a cell by its values; a factor that the values lack, because the campaign
// got it later, must leave one cell only.
func (p *Plan) indexOf(values map[string]string) (int, bool) {
	tags := record.Tags{}
	for name, v := range values {
		tags[name] = record.Tag{Value: v}
	}
	i, _ := p.Place(tags)
	return i, i >= 0
}

// Next returns the cell to go to from the position: of the cells that are neither
// complete nor skipped and not the current one, the one whose costliest differing factor
// is the cheapest, the next in the order of the plan where several are; -1 where none is
// left. So all that can be done with the parts that are built in is done before one is
// swapped.
func (c *Coverage) Next(pos Position) int {
	if pos.Cell < 0 {
		for i := range c.state {
			if c.open(pos, i) {
				return i
			}
		}
		return -1
	}
	for shared := len(c.Plan.nest) - 1; shared >= 0; shared-- {
		from, to := c.Plan.group(pos.Cell, shared)
		for i := pos.Cell + 1; i < to; i++ {
			if c.open(pos, i) {
				return i
			}
		}
		for i := from; i < pos.Cell; i++ {
			if c.open(pos, i) {
				return i
			}
		}
	}
	return -1
}

// group returns the range of cells that share the first depth factors with a cell. They
// are neighbours, as the plan visits every node of its tree in one go.
func (p *Plan) group(cell, depth int) (from, to int) {
	for from = cell; from > 0 && p.differ(from-1, cell) >= depth; from-- {
	}
	for to = cell + 1; to < p.n && p.differ(to, cell) >= depth; to++ {
	}
	return from, to
}

// When returns the cell that the position was at when a pass started. A pass that was
// running when the plan was begun counts as begun with; ok is false for one that ended
// before that.
func (pos Position) When(started, ended time.Time) (cell int, ok bool) {
	for i := len(pos.History) - 1; i >= 0; i-- {
		if !pos.History[i].Since.After(started) {
			return pos.History[i].Cell, true
		}
	}
	if len(pos.History) > 0 && !pos.History[0].Since.After(ended) {
		return pos.History[0].Cell, true
	}
	return -1, false
}

// Claims returns what the plan says about a pass that ran then: the values of the cell of
// [Position.When], none where nothing was begun.
func (p *Plan) Claims(pos Position, started, ended time.Time) []record.Claim {
	cell, ok := pos.When(started, ended)
	if !ok {
		return nil
	}
	values := p.Cell(cell)
	var claims []record.Claim
	for _, f := range p.Campaign.Factors {
		if v := values[f.Name]; v != "" {
			claims = append(claims, record.Claim{Name: f.Name, Value: v, From: record.FromPlan, Detail: p.Where(cell)})
		}
	}
	return claims
}

// Open is what is left to do with the factor values that are set now.
type Open struct {
	Factor string   `json:"factor"` // the part or setting that would be changed
	With   []string `json:"with"`   // its value and those of the costlier factors, as name=value
	Cells  []int    `json:"-"`
	Passes int      `json:"passes"`
	Bad    int      `json:"bad"` // of the cells' passes, bad ones to be repeated
}

// OpenWith returns what is open of the cells that have all of the given values.
func (c *Coverage) OpenWith(pos Position, values map[string]string) Open {
	var o Open
	for i := range c.state {
		if c.open(pos, i) && c.Plan.has(i, values) {
			c.addOpen(&o, i)
		}
	}
	return o
}

func (c *Coverage) addOpen(o *Open, i int) {
	o.Cells = append(o.Cells, i)
	o.Passes += c.state[i].Missing()
	o.Bad += c.state[i].Bad
}

// Before returns, for every factor from the costliest on, what is still open with the
// values that a cell has up to this factor: what to do before that part is taken out.
// Skipped cells are left out.
func (c *Coverage) Before(pos Position, cell int) []Open {
	var out []Open
	values := c.Plan.Cell(cell)
	var with []string
	for d, f := range c.Plan.Factors() {
		if values[f.Name] != "" {
			with = append(with, f.Name+"="+values[f.Name])
		}
		o := Open{Factor: f.Name, With: slices.Clone(with)}
		from, to := c.Plan.group(cell, d+1)
		for i := from; i < to; i++ {
			if c.open(pos, i) {
				c.addOpen(&o, i)
			}
		}
		out = append(out, o)
	}
	return out
}

// Moves returns what has to be changed to go from one cell to another, costliest first,
// as name=value; from -1 returns all values.
func (p *Plan) Moves(from, to int) []string {
	values := p.Cell(to)
	var out []string
	for d, f := range p.Factors() {
		if (from < 0 || p.Level(from, d) != p.Level(to, d)) && values[f.Name] != "" {
			out = append(out, f.Name+"="+values[f.Name])
		}
	}
	return out
}

// Where says which cell of how many it is.
func (p *Plan) Where(cell int) string {
	return "cell " + itoa(cell+1) + " of " + itoa(p.n)
}

// Left returns what is still to be done from a position in the order in which
// [Coverage.Next] would give it: passes, and the minutes of recording and changes.
func (c *Coverage) Left(pos Position) (passes int, minutes float64) {
	d := c.Plan.Depth(record.TagGame)
	walk := &Coverage{Plan: c.Plan, state: slices.Clone(c.state)}
	at := pos
	if at.Cell < 0 || !walk.open(at, at.Cell) {
		next := walk.Next(at)
		if next >= 0 && at.Cell >= 0 {
			minutes += c.Plan.Cost(at.Cell, next)
		}
		at.Cell = next
	}
	for at.Cell >= 0 {
		n := walk.state[at.Cell].Missing()
		passes += n
		minutes += float64(n) * c.Plan.Campaign.Games[c.Plan.Level(at.Cell, d)].PassMinutes
		walk.state[at.Cell].Done += n
		next := walk.Next(at)
		if next >= 0 {
			minutes += c.Plan.Cost(at.Cell, next)
		}
		at.Cell = next
	}
	return passes, minutes
}

// Skipped returns how many open cells are left out, and the passes that they lack: they
// are part of what is left to be done, though not of what comes next.
func (c *Coverage) Skipped(pos Position) (cells, passes int) {
	for i := range pos.Skipped {
		if n := c.state[i].Missing(); n > 0 {
			cells++
			passes += n
		}
	}
	return cells, passes
}

// All returns what is left with the skipped cells, as [Coverage.Left] does without them,
// and with the control cells.
func (c *Coverage) All(pos Position) (passes int, minutes float64) {
	pos.Skipped = nil
	passes, minutes = c.Left(pos)
	more, longer := c.controlsLeft(pos)
	return passes + more, minutes + longer
}

// Line says for people what a judged pass means for the campaign, in one line. Before and
// after are the positions without and with the pass.
func (c *Coverage) Line(pass record.Pass, before, after Position) string {
	cell, why := c.Plan.Place(pass.Tags)
	if cell < 0 {
		return "the pass belongs to no cell: " + unread(pass, why)
	}
	s := c.state[cell]
	var b strings.Builder
	if k, ok := c.Control(cell); ok && before.Control && before.Cell == cell {
		here := c.control.with(cell, pass)
		b.WriteString("control cell (" + c.Plan.Name(cell) + "), ")
		switch {
		case !c.Plan.Campaign.Accepts(pass.Verdict):
			b.WriteString("a pass is " + string(pass.Verdict) + ": " + itoa(here) + " of " + itoa(k.Passes) +
				" good so far in this session; ")
		case here > k.Passes:
			b.WriteString("this session already has enough; ")
		default:
			b.WriteString("pass " + itoa(here) + " of " + itoa(k.Passes) + " in this session " + string(pass.Verdict) + "; ")
		}
		b.WriteString(c.Advice(cell, after))
		return b.String()
	}
	elsewhere := Elsewhere(cell, before, after)
	if elsewhere {
		b.WriteString("counts for ")
	}
	b.WriteString(c.Plan.Where(cell) + " (" + c.Plan.Name(cell) + "), ")
	if c.Plan.Campaign.Accepts(pass.Verdict) {
		b.WriteString("pass " + itoa(ordinal(pass, s.Done)) + " of " + itoa(s.Wanted) + " " + string(pass.Verdict))
	} else {
		b.WriteString("pass " + itoa(ordinal(pass, s.Done+1)) + " is " + string(pass.Verdict) + ": " + itoa(s.Done) +
			" of " + itoa(s.Wanted) + " good so far")
	}
	b.WriteString("; ")
	if elsewhere {
		b.WriteString("you are at " + c.Plan.Where(after.Cell) + " (" + c.Plan.Name(after.Cell) + ")")
		if _, due := c.ControlNow(after); !after.Control && !due {
			b.WriteString("; if it is of that cell: capctl tag " + pass.ID)
			for _, name := range c.Plan.Campaign.FactorNames() {
				if is, want := c.Plan.Cell(cell)[name], c.Plan.Cell(after.Cell)[name]; is != want && want != "" {
					b.WriteString(" " + name + "=" + text.Quoted(want))
				}
			}
			return b.String()
		}
		b.WriteString("; ")
	}
	b.WriteString(c.Advice(cell, after))
	return b.String()
}

// Elsewhere reports whether a pass counts for another cell than the one where the position
// was without it and is with it.
func Elsewhere(cell int, before, after Position) bool {
	return cell >= 0 && cell != before.Cell && before.Cell >= 0 && before.Cell == after.Cell
}

// unread says why a pass belongs to no cell. Where its path could not be read, that is the
// cause: the machine's own names then stand where the path's would.
func unread(pass record.Pass, why string) string {
	for _, r := range pass.Remarks {
		if r.Kind == record.RemarkPath {
			return r.Text + "; rename the log as tags.paths of the configuration says, or name what is not told: capctl tag " +
				pass.ID + " game=...; as it is: " + why
		}
	}
	return why
}

// Advice says what to record next, after a pass of the cell from, -1 for none.
func (c *Coverage) Advice(from int, pos Position) string {
	switch {
	case pos.Cell < 0 && len(pos.History) == 0:
		return "the plan is not started; start it with 'capctl begin'"
	case pos.Cell < 0 && len(pos.Skipped) > 0:
		return "only " + record.Count(len(pos.Skipped), "skipped cell") + " left"
	case pos.Cell < 0:
		return "the campaign is complete"
	}
	s := c.state[pos.Cell]
	if pos.Control {
		return c.controlAdvice(from, pos)
	}
	if k, ok := c.ControlNow(pos); ok {
		return "a new session: measure the control cell first; 'capctl next' goes there: " +
			strings.Join(c.Plan.Moves(from, k), ", ")
	}
	if pos.Cell != from {
		return "next: " + c.Plan.Where(pos.Cell) + ": " + strings.Join(c.Plan.Moves(from, pos.Cell), ", ")
	}
	if s.Complete() {
		return "this cell is complete; go on with 'capctl next'"
	}
	passes := c.passes[pos.Cell]
	if n := len(passes); n > 0 && !c.Plan.Campaign.Accepts(passes[n-1].Verdict) {
		return "repeat pass " + itoa(c.NextPass(pos.Cell))
	}
	return "next: pass " + itoa(c.NextPass(pos.Cell))
}

// controlAdvice says how to measure the control cell that the position is at.
func (c *Coverage) controlAdvice(from int, pos Position) string {
	k, _ := c.Control(pos.Cell)
	var moves string
	if from >= 0 && from != pos.Cell {
		moves = ": " + strings.Join(c.Plan.Moves(from, pos.Cell), ", ")
	}
	switch {
	case k.Here >= k.Passes: // this session has it
		return "next: restart the bench, then measure the control cell again" + moves + "; 'capctl skip' leaves it out"
	case k.Here > 0:
		return "next: control pass " + itoa(k.Here+1) + " of " + itoa(k.Passes) + " in this session"
	}
	return "next: the control cell" + moves + ", " + record.Count(k.Passes, "pass") + "; 'capctl skip' leaves it out"
}

// ordinal is the number that a pass was given by its tag, else the one that counting gives.
func ordinal(pass record.Pass, counted int) int {
	if n, err := strconv.Atoi(pass.Tags.Value(record.TagPass)); err == nil && n > 0 {
		return n
	}
	return counted
}

// NextPass returns the number, from 1, of the pass of a cell that is to be recorded next:
// the lowest that no clean pass has. Where their tags do not tell all of them apart, they
// are counted.
func (c *Coverage) NextPass(cell int) int {
	counted := c.state[cell].Done + 1
	taken := map[int]bool{}
	for _, p := range c.passes[cell] {
		if !c.Plan.Campaign.Accepts(p.Verdict) {
			continue
		}
		n := ordinal(p, 0)
		if n == 0 || taken[n] {
			return counted
		}
		taken[n] = true
	}
	next := 1
	for taken[next] {
		next++
	}
	return next
}

// Ahead returns up to n cells that are open, in the order in which [Coverage.Next] gives
// them from the position on, the current one first if it is open.
func (c *Coverage) Ahead(pos Position, n int) []int {
	walk := &Coverage{Plan: c.Plan, state: slices.Clone(c.state)}
	var out []int
	if pos.Cell < 0 || !walk.open(pos, pos.Cell) {
		pos.Cell = walk.Next(pos)
	}
	for pos.Cell >= 0 && len(out) < n {
		out = append(out, pos.Cell)
		walk.state[pos.Cell].Done = walk.state[pos.Cell].Wanted
		pos.Cell = walk.Next(pos)
	}
	return out
}
