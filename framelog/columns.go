package framelog

import (
	"bytes"
	"math"
	"slices"
	"strings"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/unit"
)

// A frame time is plausible between these, ms: 5000 down to 0.2 frames per second.
const (
	plausibleMinMS = 0.2
	plausibleMaxMS = 5000
)

// column is what the sample says about one column.
type column struct {
	pos     int // from 0
	values  []decimal.Number
	plain   []float64 // values as written
	stated  unit.Unit // from the heading
	counter bool      // whole numbers one apart
	rising  bool
	steady  bool    // all values equal
	typical float64 // median of the values above zero
	sum     float64
	fine    int // greatest number of decimals
}

// reading is one way to get frame times: a column, what it holds and its unit.
type reading struct {
	col   *column
	stamp bool
	unit  unit.Unit
	ms    []float64 // frame times of the sample, ms
}

func (r reading) avgFPS() float64 {
	sum := 0.0
	for _, x := range r.ms {
		sum += x
	}
	return 1000 * float64(len(r.ms)) / sum
}

func (r reading) kind() string {
	if r.stamp {
		return "timestamp"
	}
	return "duration"
}

// choice is the outcome of recognition: which columns are read and how.
type choice struct {
	main  reading
	stamp *reading // stamps beside durations, nil for none
	start bool     // a row's stamp is the beginning of its frame, not the end
	prog  int      // column that names the program, -1 for none
}

// sampleColumns reads the sample's numeric columns over the rows of one program. The
// columns are valid until the next call.
func (s *sampler) sampleColumns(t *table, prog int, program string) []*column {
	s.columns, s.list = s.columns[:0], s.list[:0]
	for c := range t.columns {
		if t.numeric[c] {
			col := column{pos: c}
			if t.unitNames != nil {
				col.stated = s.unitOf(t.unitNames[c])
			}
			s.columns = append(s.columns, col)
		}
	}
	k := len(s.columns)
	// One column's numbers lie together: room for all rows each.
	room := len(s.sample)
	s.numbers = slices.Grow(s.numbers[:0], k*room)[:k*room]
	s.plain = slices.Grow(s.plain[:0], k*room)[:k*room]
	rows := 0
	for _, l := range s.sample {
		s.cells = cells.Split(s.cells[:0], l, t.delim)
		if len(s.cells) != t.columns || prog >= 0 && program != "" && !sameProgram(s.cells[prog], program) {
			continue
		}
		for i := range s.columns {
			n, cl := decimal.Parse(s.cells[s.columns[i].pos], t.point)
			x := math.NaN()
			if cl == decimal.IsNumber {
				x = n.In(0)
			} else {
				n = decimal.Number{Frac: missing}
			}
			s.numbers[i*room+rows], s.plain[i*room+rows] = n, x
		}
		rows++
	}
	for i := range s.columns {
		c := &s.columns[i]
		c.values, c.plain = s.numbers[i*room:i*room+rows], s.plain[i*room:i*room+rows]
		c.classify()
		s.list = append(s.list, c)
	}
	return s.list
}

// missing marks a sample cell without a number.
const missing = math.MaxInt32

// classify finds out how the values go on from row to row.
func (c *column) classify() {
	c.counter, c.rising, c.steady = true, true, true
	ups, steps := 0, 0
	prev := math.NaN()
	for _, x := range c.plain {
		if math.IsNaN(x) {
			continue
		}
		if x != math.Trunc(x) {
			c.counter = false
		}
		if !math.IsNaN(prev) {
			steps++
			switch d := x - prev; {
			case d < 0:
				c.rising, c.steady, c.counter = false, false, false
			case d > 0:
				ups++
				c.steady = false
				fallthrough
			default:
				if d != 1 {
					c.counter = false
				}
			}
		}
		prev = x
		c.sum += x
	}
	c.typical = medianAbove(c.plain)
	c.fine = c.finest()
	if steps == 0 {
		c.counter, c.rising, c.steady = false, false, false
		return
	}
	c.rising = c.rising && ups > 0 && 3*ups >= steps
}

// durations lists the readings of c as frame times.
func (c *column) durations() []reading {
	if c.stated == unit.Other || c.rising && len(c.plain) >= 8 || c.counter {
		return nil
	}
	var out []reading
	for u := unit.Seconds; u <= unit.Nanos; u++ {
		if c.stated != unit.None && c.stated != u || !plausible(c.typical/math.Pow10(u.Shift())) {
			continue
		}
		r := reading{col: c, unit: u}
		for _, n := range c.values {
			if n.Frac != missing {
				if x := n.In(u.Shift()); x > 0 && !math.IsInf(x, 0) {
					r.ms = append(r.ms, x)
				}
			}
		}
		if len(r.ms) > 0 && 2*len(r.ms) >= len(c.values) {
			out = append(out, r)
		}
	}
	return out
}

// stamps lists the readings of c as time stamps.
func (c *column) stamps() []reading {
	if !c.rising || c.stated == unit.Other || c.counter && c.stated == unit.None {
		return nil
	}
	var out []reading
	for u := unit.Seconds; u <= unit.Nanos; u++ {
		if c.stated != unit.None && c.stated != u {
			continue
		}
		r := reading{col: c, stamp: true, unit: u}
		var prev *decimal.Number
		for i := range c.values {
			if c.values[i].Frac == missing {
				continue
			}
			if prev != nil {
				if ms, _, ok := decimal.Between(decimal.StampOf(*prev), decimal.StampOf(c.values[i]), u.Shift()); ok && ms >= 0 {
					r.ms = append(r.ms, ms)
				}
			}
			prev = &c.values[i]
		}
		if len(r.ms) > 0 && plausible(mean(r.ms)) {
			out = append(out, r)
		}
	}
	return out
}

func plausible(ms float64) bool { return ms >= plausibleMinMS && ms <= plausibleMaxMS }

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// medianAbove returns the median of the values above zero, 0 for none.
func medianAbove(v []float64) float64 {
	var room [sampleLines]float64
	s := room[:0]
	for _, x := range v {
		if x > 0 {
			s = append(s, x)
		}
	}
	if len(s) == 0 {
		return 0
	}
	slices.Sort(s)
	return s[len(s)/2]
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

// agreement is how well durations and stamps of the same rows fit each other.
type agreement struct {
	dur, stamp reading
	start      bool
	off        float64 // typical difference per row, ms
}

// agree compares a duration column with a stamp column row by row, with the stamp at the
// end or at the beginning of its frame.
func agree(d, s reading) (agreement, bool) {
	a := agreement{dur: d, stamp: s, off: math.Inf(1)}
	res := math.Pow(10, float64(-s.col.fine-s.unit.Shift())) + math.Pow(10, float64(-d.col.fine-d.unit.Shift()))
	if !roughly(d, s) {
		return a, false
	}
	for _, start := range []bool{false, true} {
		var room [sampleLines]float64
		off := room[:0]
		var sum, span float64
		for i := 1; i < len(d.col.values); i++ {
			p, q := s.col.values[i-1], s.col.values[i]
			x := d.col.values[i]
			if start {
				x = d.col.values[i-1]
			}
			if p.Frac == missing || q.Frac == missing || x.Frac == missing {
				continue
			}
			ms, _, ok := decimal.Between(decimal.StampOf(p), decimal.StampOf(q), s.unit.Shift())
			if !ok {
				continue
			}
			dur := x.In(d.unit.Shift())
			off = append(off, math.Abs(ms-dur))
			sum += dur
			span += ms
		}
		if len(off) < 1 {
			continue
		}
		m := median(off)
		if m <= math.Max(0.01*sum/float64(len(off)), 1.01*res) && math.Abs(sum-span) <= 0.02*span+2*res && m < a.off {
			a.off, a.start = m, start
		}
	}
	return a, !math.IsInf(a.off, 1)
}

// roughly reports whether durations and stamps cover about the same time; most pairs of
// columns do not and need no closer look.
func roughly(d, s reading) bool {
	v := s.col.plain
	span := (v[len(v)-1] - v[0]) / math.Pow10(s.unit.Shift())
	sum := d.col.sum / math.Pow10(d.unit.Shift())
	return !(sum > 3*span || sum < span/3) // also where a value is missing
}

// finest is the greatest number of decimals among the values.
func (c *column) finest() int {
	f := 0
	for _, n := range c.values {
		if n.Frac != missing && n.Frac > f {
			f = n.Frac
		}
	}
	return f
}

// choose decides which column holds the frame times. The evidence, from the strongest:
// a duration column and a stamp column that agree row by row; a heading that says
// nothing but frame time; headings that state a unit of time; plausibility alone.
func choose(cols []*column, t *table, path string) (choice, error) {
	var durs, stamps []reading
	for _, c := range cols {
		durs = append(durs, c.durations()...)
		stamps = append(stamps, c.stamps()...)
	}
	if pairs := agreeing(durs, stamps); len(pairs) > 0 {
		return choosePair(pairs, t, path)
	}
	all := append(slices.Clone(durs), stamps...)
	for _, strong := range []func(reading) bool{
		func(r reading) bool { return !r.stamp && t.names != nil && unit.SaysFrameTime(t.names[r.col.pos]) },
		func(r reading) bool { return r.col.stated != unit.None },
		func(r reading) bool { return !r.col.steady },
		func(reading) bool { return true },
	} {
		if some := keep(all, strong); len(some) > 0 {
			r, ok := oneOf(some)
			if !ok {
				return choice{}, ambiguous(some, t, path)
			}
			if r.sampled() {
				return choice{}, fault.New(t.preamble+1, "if these are frames, declare the layout",
					"the rows are %.3g s apart: a table of samples, no frame log", r.typicalMS()/1000)
			}
			return withStamp(r, stamps), nil
		}
	}
	return choice{}, fault.New(0, "name the column and its unit in a declared layout",
		"none of the %d columns behaves like frame times or time stamps (a frame takes between %g ms and %g s)", t.columns,
		plausibleMinMS, plausibleMaxMS/1000.0)
}

func keep(rs []reading, ok func(reading) bool) []reading {
	var out []reading
	for _, r := range rs {
		if ok(r) {
			out = append(out, r)
		}
	}
	return out
}

// Rows this far apart, ms, with hardly any difference between them are samples that
// some program took by the clock: such tables lie about beside frame logs.
const (
	samplingMS     = 250
	samplingSpread = 0.05
)

// sampled reports whether time stamps are those of samples taken by the clock.
func (r reading) sampled() bool {
	if !r.stamp || len(r.ms) < 2 {
		return false
	}
	typical, off := r.typicalMS(), make([]float64, len(r.ms))
	for i, x := range r.ms {
		off[i] = math.Abs(x - typical)
	}
	return typical >= samplingMS && median(off) < samplingSpread*typical
}

func (r reading) typicalMS() float64 { return median(r.ms) }

// withStamp pairs a duration reading with the only stamp column where there is just one,
// for the checks of the time base; the two are known not to agree row by row.
func withStamp(r reading, stamps []reading) choice {
	c := choice{main: r, prog: -1}
	if !r.stamp && len(stamps) == 1 {
		c.stamp = &stamps[0]
	}
	return c
}

func agreeing(durs, stamps []reading) []agreement {
	var out []agreement
	for _, d := range durs {
		best, found := agreement{off: math.Inf(1)}, false
		for _, s := range stamps {
			if a, ok := agree(d, s); ok && a.off < best.off {
				best, found = a, true
			}
		}
		if found {
			out = append(out, best)
		}
	}
	return out
}

// choosePair takes the duration column that follows the stamps most closely. Another
// one that follows them as closely must hold the same frame times.
func choosePair(pairs []agreement, t *table, path string) (choice, error) {
	slices.SortStableFunc(pairs, func(a, b agreement) int {
		switch {
		case a.off < b.off:
			return -1
		case a.off > b.off:
			return 1
		}
		return 0
	})
	best := pairs[0]
	rival := []reading{best.dur}
	for _, p := range pairs[1:] {
		if p.off <= 4*best.off+1e-3 {
			rival = append(rival, p.dur)
		}
	}
	// A heading that says frame time decides between columns that fit equally.
	if named := keep(rival, func(r reading) bool {
		return t.names != nil &&
			unit.SaysFrameTime(t.names[r.col.pos])
	}); len(named) == 1 {
		rival = named
	}
	r, ok := oneOf(rival)
	if !ok {
		return choice{}, ambiguous(rival, t, path)
	}
	for _, p := range pairs {
		if p.dur.col == r.col && p.dur.unit == r.unit {
			best = p
		}
	}
	return choice{main: best.dur, stamp: &best.stamp, start: best.start, prog: -1}, nil
}

// oneOf returns the reading with the finest resolution when all of them say the same.
func oneOf(rs []reading) (reading, bool) {
	best := rs[0]
	for _, r := range rs[1:] {
		if !sameFrames(best, r) {
			return best, false
		}
		if !r.stamp && best.stamp || r.stamp == best.stamp && r.resolution() < best.resolution() {
			best = r
		}
	}
	return best, true
}

func (r reading) resolution() float64 {
	return math.Pow(10, float64(-r.col.fine-r.unit.Shift()))
}

// sameFrames reports whether two readings give the same frame times within their
// resolution.
func sameFrames(a, b reading) bool {
	x, y := a.ms, b.ms
	if len(x) > len(y) {
		x = x[len(x)-len(y):]
	} else {
		y = y[len(y)-len(x):]
	}
	if len(x) == 0 {
		return false
	}
	tol := 2*(a.resolution()+b.resolution()) + 1e-9
	for i := range x {
		if math.Abs(x[i]-y[i]) > tol {
			return false
		}
	}
	return math.Abs(a.avgFPS()/b.avgFPS()-1) < 0.01
}

func ambiguous(rs []reading, t *table, path string) error {
	e := &AmbiguousError{Path: path}
	for _, r := range rs {
		e.Candidates = append(e.Candidates, Candidate{Column: t.name(r.col.pos), Position: r.col.pos + 1, Kind: r.kind(),
			Unit: r.unit.String(), AvgFPS: r.avgFPS()})
		e.Rows = max(e.Rows, len(r.ms))
	}
	return e
}

// programWords mark a text column as the name of the program a row is about.
var programWords = []string{"program", "programm", "process", "prozess", "application", "app", "executable", "exe",
	"anwendung"}

// programColumn finds the text column that names the program of each row, -1 for none:
// its heading says so, or its cells end as executables do.
func (s *sampler) programColumn(t *table) int {
	for c := range t.columns {
		if t.numeric[c] {
			continue
		}
		if t.names != nil {
			for _, w := range unit.Words(t.names[c]) {
				if slices.Contains(programWords, w) {
					return c
				}
			}
		}
	}
	for c := range t.columns {
		if !t.numeric[c] && s.allExecutables(t, c) {
			return c
		}
	}
	return -1
}

func (s *sampler) allExecutables(t *table, c int) bool {
	n := 0
	for _, l := range s.sample {
		s.cells = cells.Split(s.cells[:0], l, t.delim)
		if len(s.cells) != t.columns {
			continue
		}
		if !strings.HasSuffix(strings.ToLower(string(s.cells[c])), ".exe") {
			return false
		}
		n++
	}
	return n > 0
}

// sampledProgram returns the program with most rows in the sample.
func (s *sampler) sampledProgram(t *table, prog int, wanted string) string {
	count := map[string]int{}
	best := ""
	for _, l := range s.sample {
		s.cells = cells.Split(s.cells[:0], l, t.delim)
		if len(s.cells) != t.columns {
			continue
		}
		name := string(decimal.TrimBlank(s.cells[prog]))
		if wanted != "" && sameProgram([]byte(name), wanted) {
			return name
		}
		count[name]++
		if count[name] > count[best] {
			best = name
		}
	}
	return best
}

// sameProgram compares names as people write them: without regard to case, folder and
// the ending of executables.
func sameProgram(cell []byte, name string) bool {
	cell = decimal.TrimBlank(cell)
	if string(cell) == name {
		return true
	}
	return programName(string(cell)) == programName(name)
}

func programName(s string) string {
	s = strings.ToLower(strings.TrimSpace(s))
	if i := strings.LastIndexAny(s, `/\`); i >= 0 {
		s = s[i+1:]
	}
	return strings.TrimSuffix(s, ".exe")
}

// splitByText looks for a text column whose groups make durations and stamps agree where
// the rows as a whole do not.
func (s *sampler) splitByText(t *table, path string) (choice, bool) {
	counters := map[int]bool{} // every second number of a counter looks like something else
	for _, col := range s.sampleColumns(t, -1, "") {
		counters[col.pos] = col.counter
	}
	for c := range t.columns {
		if t.numeric[c] || !s.severalValues(t, c) {
			continue
		}
		cols := s.sampleColumns(t, c, s.sampledProgram(t, c, ""))
		var durs, stamps []reading
		for _, col := range cols {
			if counters[col.pos] || len(col.values) < 8 {
				continue
			}
			durs = append(durs, col.durations()...)
			stamps = append(stamps, col.stamps()...)
		}
		if pairs := agreeing(durs, stamps); len(pairs) > 0 {
			if ch, err := choosePair(pairs, t, path); err == nil {
				ch.prog = c
				return ch, true
			}
		}
	}
	return choice{}, false
}

func (s *sampler) severalValues(t *table, c int) bool {
	var first []byte
	for _, l := range s.sample {
		s.cells = cells.Split(s.cells[:0], l, t.delim)
		if len(s.cells) != t.columns {
			continue
		}
		if first == nil {
			first = append([]byte{}, s.cells[c]...)
		} else if !bytes.Equal(first, s.cells[c]) {
			return true
		}
	}
	return false
}
