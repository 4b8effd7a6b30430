package campaign

import (
	"math"
	"time"

	"capd.example/record"
)

// Control is how a campaign learns how much sessions differ: in each build-up of the parts
// one cell, its control cell, is measured at the start of every session and once more after
// a restart before a part is taken out.
type Control struct {
	Levels         map[string]string // that control cells have; of factors that are not here the plan chooses
	Passes         int               // in each session
	Repeats        int               // that are enough: measurements of a control cell in a further session
	RestartMinutes float64           // what a restart costs
}

const (
	// enoughRepeats: with 16 degrees of freedom intervals hold the truth in 94 to 97 %
	// whatever sessions shift; see docs/analysis.md.
	enoughRepeats = 16
	// leastRepeats are those without which nothing is said of sessions: three degrees of
	// freedom, and one more as a pass may turn out bad.
	leastRepeats = 4
	// restartMinutes is what a restart costs (a convention).
	restartMinutes = 3
)

// Controls says what it costs to learn how much sessions differ.
type Controls struct {
	Stated  bool              `json:"stated"`  // the campaign file has [control]: 'capctl next' asks for them
	Builds  int               `json:"builds"`  // build-ups of the parts, each of which is a session
	Wanted  int               `json:"wanted"`  // times that a control cell is measured again after a restart
	Cell    map[string]string `json:"cell"`    // what it is measured with, but for the parts
	Passes  int               `json:"passes"`  // in all
	Minutes float64           `json:"minutes"` // with the restarts
}

// Controls chooses the control cell, where the campaign does not: of the game whose pass
// takes the least time, in the lightest setting (the first level of each factor that is no
// part) where the processor is the costlier part to change and stays, else in the heaviest,
// where the card tells.
func (p *Plan) Controls() Controls {
	c := Controls{Cell: map[string]string{}, Stated: p.Campaign.Control != nil}
	of := p.Campaign.control()
	b := p.buildUps(of)
	c.Builds = len(b.cell)
	c.Wanted = min(c.Builds*b.each, of.Repeats)
	best := -1
	for _, i := range b.cell {
		if i >= 0 && (best < 0 || p.rather(int(i), best, b)) {
			best = int(i)
		}
	}
	if best < 0 {
		c.Wanted = 0
		return c
	}
	for name, v := range p.Cell(best) {
		if !isPart(name) {
			c.Cell[name] = v
		}
	}
	c.Passes = c.Wanted * of.Passes
	c.Minutes = float64(c.Wanted)*of.RestartMinutes + float64(c.Passes)*p.passMinutes(best)
	return c
}

// control returns how controls are measured, by default where nothing is said of them.
func (c *Campaign) control() Control {
	if c.Control != nil {
		return *c.Control
	}
	return Control{Passes: c.Passes, Repeats: enoughRepeats, RestartMinutes: restartMinutes}
}

func (p *Plan) passMinutes(cell int) float64 {
	return p.Campaign.Games[p.Level(cell, p.Depth(record.TagGame))].PassMinutes
}

// isPart reports whether a session ends where this factor changes.
func isPart(factor string) bool {
	return factor == record.TagProcessor || factor == record.TagGraphics || factor == record.TagDriver
}

// buildUps are the combinations of parts of a plan with their control cells.
type buildUps struct {
	of    []int32 // per cell, its build-up
	cell  []int32 // per build-up, its control cell; -1 where none has the stated levels
	each  int     // further sessions of each that are wanted
	heavy bool    // the heaviest setting tells most, not the lightest
}

func (p *Plan) buildUps(c Control) buildUps {
	b := buildUps{of: make([]int32, p.n)}
	for _, f := range p.nest { // the costliest part stays longest
		if name := p.Campaign.Factors[f].Name; isPart(name) {
			b.heavy = name == record.TagGraphics
			break
		}
	}
	number := map[string]int32{}
	var key []byte
	for i := range p.n {
		key = key[:0]
		for d, f := range p.nest {
			if isPart(p.Campaign.Factors[f].Name) {
				key = appendKey(key, p.row(i)[d:d+1])
			}
		}
		n, seen := number[string(key)]
		if !seen {
			n = int32(len(b.cell))
			number[string(key)] = n
			b.cell = append(b.cell, -1)
		}
		b.of[i] = n
		if now := b.cell[n]; p.has(i, c.Levels) && (now < 0 || p.rather(i, int(now), b)) {
			b.cell[n] = int32(i)
		}
	}
	b.each = 1
	if n := len(b.cell); n > 0 {
		b.each = max(1, (leastRepeats+n-1)/n)
	}
	return b
}

// rather reports whether cell i is a better control cell than another.
func (p *Plan) rather(i, other int, b buildUps) bool {
	minutes := func(cell int) float64 {
		if m := p.passMinutes(cell); m > 0 {
			return m
		}
		return math.Inf(1) // unknown
	}
	x, y := minutes(i), minutes(other)
	d := p.Depth(record.TagGame)
	switch {
	case x != y:
		return x < y
	case p.Level(i, d) != p.Level(other, d):
		return p.Level(i, d) < p.Level(other, d)
	}
	for d, f := range p.nest {
		if isPart(p.Campaign.Factors[f].Name) {
			continue
		}
		if x, y := p.Level(i, d), p.Level(other, d); x != y {
			return (x < y) != b.heavy
		}
	}
	return false
}

// Now is what is known of the bench whose position is asked for; zero where nothing is.
type Now struct {
	Bench string    // whose sessions count; "" for all
	At    time.Time // zero: right after the last pass
}

// controlled is what passes say of the control cells of a campaign that has them.
type controlled struct {
	Control
	buildUps
	now     Now
	session map[string]string // of passes
	done    []map[string]int  // per build-up, accepted passes of its control cell by session
	repeats int               // sessions with all passes of a control cell, beyond the first of each

	// The last pass of the bench.
	last struct {
		session string
		build   int32
		ended   time.Time
	}
}

func (p *Plan) controlled(passes []record.Pass, now Now) *controlled {
	if p.Campaign.Control == nil {
		return nil
	}
	if p.builds == nil {
		b := p.buildUps(*p.Campaign.Control)
		p.builds = &b
	}
	k := &controlled{Control: *p.Campaign.Control, buildUps: *p.builds, now: now, session: record.SessionOf(passes)}
	k.done = make([]map[string]int, len(k.cell))
	k.last.build = -1
	return k
}

// add counts a pass of a cell.
func (k *controlled) add(cell int, pass *record.Pass, accepted bool) {
	if k == nil || k.now.Bench != "" && pass.Bench != k.now.Bench {
		return
	}
	b, session := k.of[cell], k.session[pass.ID]
	if !pass.EndedAt.Before(k.last.ended) {
		k.last.session, k.last.build, k.last.ended = session, b, pass.EndedAt
	}
	if int(k.cell[b]) != cell || !accepted {
		return
	}
	if k.done[b] == nil {
		k.done[b] = map[string]int{}
	}
	k.done[b][session]++
	if k.done[b][session] == k.Passes && k.sessions(b) > 1 {
		k.repeats++
	}
}

// with is how many passes the session of a pass has of its cell, a control cell.
func (k *controlled) with(cell int, pass record.Pass) int {
	return k.done[k.of[cell]][k.session[pass.ID]]
}

// left reports whether a pass shows that the parts of a control cell were taken out.
func (k *controlled) left(control, cell int, pass *record.Pass) bool {
	return cell >= 0 && (k.now.Bench == "" || pass.Bench == k.now.Bench) && k.of[cell] != k.of[control]
}

// sessions is in how many sessions the control cell of a build-up has all of its passes.
func (k *controlled) sessions(build int32) (n int) {
	for _, passes := range k.done[build] {
		if passes >= k.Passes {
			n++
		}
	}
	return n
}

// here is how many passes the control cell of a build-up has in the session that the bench
// is in; none where a new one begins.
func (k *controlled) here(build int32) int {
	fresh := k.last.build != build || !k.now.At.IsZero() && k.now.At.Sub(k.last.ended) > record.SessionGap
	if fresh {
		return 0
	}
	return k.done[build][k.last.session]
}

// wants reports whether a control cell may be asked for at all.
func (k *controlled) wants(build int32, pos Position) bool {
	cell := int(k.cell[build])
	return cell >= 0 && k.repeats < k.Repeats && !pos.Skipped[cell] && !pos.NoControl[cell]
}

// ControlNow returns the control cell that the session the bench is in lacks; ok is false
// where it lacks none: what the reviewer should measure before going on. The position
// stays where it is until that is ordered.
func (c *Coverage) ControlNow(pos Position) (cell int, ok bool) {
	k := c.control
	if k == nil || pos.Cell < 0 || pos.Control || pos.Stay {
		return -1, false
	}
	b := k.of[pos.Cell]
	if cell = int(k.cell[b]); cell == pos.Cell || !k.wants(b, pos) || k.here(b) >= k.Passes {
		return -1, false
	}
	return cell, true
}

// controlBefore returns the control cell that is to be measured again, after a restart,
// before the parts of one cell are exchanged for those of the next; -1 for none.
func (c *Coverage) controlBefore(from, next int, pos Position) int {
	k := c.control
	if k == nil || from < 0 {
		return -1
	}
	b := k.of[from]
	if next >= 0 && k.of[next] == b || !k.wants(b, pos) {
		return -1
	}
	if n := k.sessions(b); n < 1 || n > k.each {
		return -1
	}
	return int(k.cell[b])
}

// controlAfter returns the control cell to begin a build-up with, on the way from one cell to
// another; -1 where the parts stay, or it is the other itself.
func (c *Coverage) controlAfter(from, to int, pos Position) int {
	k := c.control
	if k == nil || to < 0 || k.of[from] == k.of[to] || !k.wants(k.of[to], pos) {
		return -1
	}
	if cell := int(k.cell[k.of[to]]); cell != to {
		return cell
	}
	return -1
}

// ControlCell is how far a control cell is.
type ControlCell struct {
	Sessions int `json:"sessions"` // with all of its passes
	Here     int `json:"here"`     // passes in the session that the bench is in
	Passes   int `json:"passes"`   // wanted in each session
}

// Control says how far a cell is as a control cell; ok is false for one that is none.
func (c *Coverage) Control(cell int) (state ControlCell, ok bool) {
	k := c.control
	if k == nil || int(k.cell[k.of[cell]]) != cell {
		return state, false
	}
	b := k.of[cell]
	return ControlCell{k.sessions(b), k.here(b), k.Passes}, true
}

// Repeats says how often control cells were measured in a further session and how often is
// enough; zeros where the campaign has none.
func (c *Coverage) Repeats() (done, enough int) {
	if c.control == nil {
		return 0, 0
	}
	return c.control.repeats, c.control.Repeats
}

// controlsLeft returns the passes of control cells that will be asked for, and their
// minutes with the restarts: of the build-ups that have something open.
func (c *Coverage) controlsLeft(pos Position) (passes int, minutes float64) {
	k := c.control
	if k == nil {
		return 0, 0
	}
	open := make([]bool, len(k.cell))
	for i := range c.state {
		if !open[k.of[i]] && c.open(pos, i) {
			open[k.of[i]] = true
		}
	}
	if pos.Cell >= 0 {
		open[k.of[pos.Cell]] = true
	}
	left := k.Repeats - k.repeats
	for b, is := range open {
		if !is || !k.wants(int32(b), pos) {
			continue
		}
		n := min(left, k.each+1-max(1, k.sessions(int32(b))))
		if n <= 0 {
			continue
		}
		left -= n
		more := n * k.Passes
		if pos.Control && int(k.of[pos.Cell]) == b && k.sessions(int32(b)) > 0 {
			if here := k.here(int32(b)); here < k.Passes {
				more -= here
			}
		}
		passes += more
		minutes += float64(n)*k.RestartMinutes + float64(more)*c.Plan.passMinutes(int(k.cell[b]))
	}
	return passes, minutes
}
