package framelog

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/bits"
	"slices"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/mask"
	"capd.example/framelog/internal/tally"
	"capd.example/record"
)

// pad is how many bytes past the text must be readable: those of a mask and of a number.
const pad = mask.Block + decimal.Pad

const (
	longestMS   = 600_000 // a frame above this is taken for a wrong row
	maxTrailer  = 100     // lines after the table that may be a summary
	maxPrograms = 256
	checkEvery  = 256  // rows between looks at the stamps beside durations
	maxWrong    = 1e-3 // share of wrong rows above which a log is refused
)

// track collects the frames of one program.
type track struct {
	name  string
	ms    []float64
	dec   int     // finest decimals so far
	mixed bool    // the fast road met other decimals
	off   bool    // a value was on no grid
	ticks uint64  // all values of the fast road or-ed, for the length of the longest
	slow  float64 // longest frame of the slow road

	prev     decimal.Stamp
	chain    bool // prev is set
	odd      bool // the last stamp was out of place
	oddStamp decimal.Stamp
}

// scan turns rows into frames. It goes through a log once, piece by piece.
type scan struct {
	t    *table
	ch   choice
	main int // column read
	dec  int // power of ten from its unit to ms
	line int // number of the last line seen
	max  int // frames allowed

	wrong, pending tally.Tally
	firstRow       tally.Reason
	firstRowLine   int
	rows           int // good rows
	restarts       int
	restartLine    int
	trailer        tally.Tally
	summary        int // lines of a summary in the form of rows
	cutOff         int
	tracks         []*track
	cur            *track
	cells          [][]byte
	lastFrac       int
	lastDigits     int

	// Stamps beside durations.
	base          timeBase
	rowsSinceLook int
	lookLine      int
	firstStamp    decimal.Stamp // where stamps are the source
	haveFirst     bool

	guess    int // frames expected, for the first allocation
	limitErr error
	masks    []uint64
	ends     []lineMark
	fixed    fixed
}

// timeBase compares stamps with the durations beside them.
type timeBase struct {
	col, shift  int
	first, last decimal.Stamp
	have        bool
	sumMS       float64 // of durations since the last look
	gaps        int
	gapLine     int
	gapMS       float64
	total       float64 // ms between stamps that were compared
	sumAll      float64 // ms of durations beside them
	broken      bool
}

// begin prepares s for a log; buffers are kept.
func (s *scan) begin(t *table, ch choice, guess, limit int) {
	old := *s
	*s = scan{t: t, ch: ch, main: ch.main.col.pos, dec: ch.main.unit.Shift(), line: t.preamble, max: limit,
		cells: old.cells, masks: old.masks, ends: old.ends, guess: guess}
	for _, tr := range old.tracks {
		*tr = track{ms: tr.ms[:0]}
	}
	s.tracks = old.tracks[:0]
	s.firstRow = tally.Reasons
	s.base.col = -1
	if ch.stamp != nil {
		s.base.col, s.base.shift = ch.stamp.col.pos, ch.stamp.unit.Shift()
	}
	if ch.prog < 0 {
		s.use(nil)
	}
}

// use makes the program's track the current one.
func (s *scan) use(name []byte) bool {
	for _, tr := range s.tracks {
		if tr.name == string(name) {
			s.cur = tr
			return true
		}
	}
	if len(s.tracks) == maxPrograms {
		return false
	}
	if n := len(s.tracks); n < cap(s.tracks) && s.tracks[:n+1][n] != nil { // a track kept from an earlier log
		s.tracks = s.tracks[:n+1]
	} else {
		s.tracks = append(s.tracks, &track{})
	}
	s.cur = s.tracks[len(s.tracks)-1]
	s.cur.name = string(name)
	if len(s.tracks) == 1 && cap(s.cur.ms) < s.guess {
		s.cur.ms = make([]float64, 0, s.guess)
	}
	return true
}

// lines takes all whole lines of b[i:n] and returns where it stopped. b must have [pad]
// bytes after n that are blanks. eof says that nothing comes after n.
func (s *scan) lines(b []byte, i, n int, eof bool) (int, error) {
	blocks := (n - i + mask.Block - 1) / mask.Block
	if need := 2*blocks + 4; len(s.masks) < need {
		s.masks = make([]uint64, max(need, 2*pieceSize/mask.Block+4))
	}
	f := mask.Write(b[i:], blocks, s.t.delim, s.t.eol, s.masks)
	clear(s.masks[2*blocks : 2*blocks+4])
	if f&mask.SomeNUL != 0 && s.t.delim != cells.None || f&mask.SomeNUL != 0 && bytes.IndexByte(b[i:n], 0) >= 0 {
		k := bytes.IndexByte(b[i:n], 0)
		return i, fault.New(s.line+1+bytes.Count(b[i:i+k], []byte{s.t.eol}),
			"check that it is a text log; a log cut off by a crash can end in NUL bytes, remove them", "a NUL byte")
	}
	if s.t.delim == cells.Blank || f&mask.SomeQuote != 0 {
		return s.slowLines(b, i, n, eof, f&mask.SomeQuote != 0)
	}
	return s.fastLines(b, i, n)
}

// slowLines cuts every row into all its cells.
func (s *scan) slowLines(b []byte, i, n int, eof, quotes bool) (int, error) {
	for i < n {
		k := bytes.IndexByte(b[i:n], s.t.eol)
		if k < 0 {
			break
		}
		end := i + k
		next := end + 1
		s.line++
		if quotes {
			var more bool
			if end, next, more = s.joinQuoted(b, i, end, next, n, eof); more {
				s.line--
				return i, nil
			}
		}
		s.slowRow(cells.TrimCR(b[i:end]))
		if s.limitErr != nil {
			return i, s.limitErr
		}
		i = next
	}
	return i, nil
}

// fastLines takes row after row by the masks. All delimiters of a row are counted, so
// that a row with too many or too few cells is noticed; of its cells only those that are
// needed are looked at. A row that is not plain and right takes the slow road, which
// says what is the matter.
func (s *scan) fastLines(b []byte, base, n int) (int, error) {
	s.listEnds((n - base + mask.Block - 1) / mask.Block)
	start, last := 0, uint32(0)
	want := uint32(s.t.columns - 1)
	for i := 0; i < len(s.ends); {
		k := s.fixedRows(b, base, start, last, s.ends[i:])
		if k > 0 {
			i += k
			s.line += k
			start, last = int(s.ends[i-1].at)+1, s.ends[i-1].delims
			continue
		}
		e := s.ends[i]
		end, delims := int(e.at), e.delims-last
		last = e.delims
		s.line++
		if delims != want || !s.fastRow(b, base, start, end) {
			s.slowRow(cells.TrimCR(b[base+start : base+end]))
			if s.limitErr != nil {
				return base + start, s.limitErr
			}
		}
		start = end + 1
		i++
	}
	return base + start, nil
}

// lineMark is the end of a line and how many delimiters the piece has before it.
type lineMark struct{ at, delims uint32 }

// listEnds lists the line ends from the masks. Whether there is one in a mask.Block cannot be
// foretold, so one is written in any case: a wrong guess of a branch would cost more.
func (s *scan) listEnds(blocks int) {
	out := s.ends[:cap(s.ends)]
	masks := s.masks[:2*blocks]
	k, at, delims := 0, uint32(0), uint32(0)
	for len(masks) >= 2 {
		if len(out)-k < mask.Block {
			out = append(out, make([]lineMark, len(out)+pieceSize/mask.Block)...)
		}
		d, e := masks[0], masks[1]
		masks = masks[2:]
		out[k] = lineMark{at + uint32(bits.TrailingZeros64(e)), delims + uint32(bits.OnesCount64(d&(e&-e-1)))}
		if e != 0 {
			k++
		}
		for e &= e - 1; e != 0; e &= e - 1 {
			out[k] = lineMark{at + uint32(bits.TrailingZeros64(e)), delims + uint32(bits.OnesCount64(d&(e&-e-1)))}
			k++
		}
		delims += uint32(bits.OnesCount64(d))
		at += mask.Block
	}
	s.ends = out[:k]
}

// fixed is what the number of the row before says about the next one: logs write all
// frame times with the same number of decimals.
type fixed struct {
	frac int     // decimals, 1 to 7; 0 where it is unknown
	part uint64  // bytes of the fraction in a word that ends with the number
	div  float64 // from ticks to ms
	most uint64  // ticks of the longest frame
}

// expect prepares for numbers with frac decimals.
func (s *scan) expect(frac int) {
	s.fixed = fixed{}
	dec := frac + s.dec
	if frac < 1 || frac > 7 || dec < 0 || dec > 15 || s.ch.main.stamp || s.t.delim == cells.None {
		return
	}
	s.fixed = fixed{frac: frac, part: ^uint64(0) << uint(8*(8-frac)), div: decimal.Pow10[dec],
		most: uint64(longestMS * decimal.Pow10[dec])}
}

// digitsOf masks the last n bytes of a word, by the length of the number with its point.
var digitsOf = [16]uint64{3: 0xffff << 48, 4: 0xffffff << 40, 5: 0xffffffff << 32, 6: 0xffffffffff << 24,
	7: 0xffffffffffff << 16, 8: 0xffffffffffffff << 8, 9: ^uint64(0)}

// fixedRows takes rows as long as they are plain and right, have a duration with the
// expected decimals and up to eight digits, and belong to the current program. It
// returns how many it took. This is where a log's time goes, so it is written for the
// processor: both ends of the number come from the masks, two overlapping words that end
// with the fraction and with the whole part give all its digits at once, and no branch
// depends on chance.
//
//gocyclo:ignore
func (s *scan) fixedRows(b []byte, base, start int, last uint32, ends []lineMark) int {
	tr, f := s.cur, s.fixed
	if f.frac == 0 || tr == nil || s.pending.Total > 0 {
		return 0
	}
	if dec := f.frac + s.dec; dec != tr.dec && (!tr.mixed || dec > tr.dec) {
		return 0
	}
	n := min(len(ends), s.rowsSinceLook, cap(tr.ms)-len(tr.ms))
	if n <= 0 {
		return 0
	}
	want, col, prog := uint32(s.t.columns-1), s.main, s.ch.prog
	point, m, sum, ticks := s.t.point, s.masks, s.base.sumMS, uint64(0)
	ms := tr.ms[len(tr.ms) : len(tr.ms)+n]
	k := 0
	for ; k < n; k++ {
		e := ends[k]
		if e.delims-last != want {
			break
		}
		if prog >= 0 && !s.named(b, base+s.cell(start, prog), tr.name) {
			break
		}
		// The delimiters on either side of the number.
		i, shift := start>>6<<1, uint(start&63)
		w := m[i]>>shift | m[i+2]<<(mask.Block-shift)
		first := start
		if col > 0 {
			for c := col; c > 1; c-- {
				w &= w - 1
			}
			first += bits.TrailingZeros64(w) + 1
			w &= w - 1
		}
		end := start + bits.TrailingZeros64(w)
		if at := int(e.at); w == 0 || end > at {
			if first, end = s.farCell(start, col, at); end > first && b[base+end-1] == '\r' {
				end--
			}
		}
		p := base + end
		size := end - first
		if uint(size) > 9 || p < 9 || b[p-1-f.frac] != point {
			break
		}
		x := binary.LittleEndian.Uint64(b[p-8:])&f.part | binary.LittleEndian.Uint64(b[p-9:])&^f.part
		x = (x ^ 0x3030303030303030) & digitsOf[size&15]
		if (x+0x7676767676767676|x)&0x8080808080808080 != 0 || size < f.frac+2 {
			break
		}
		x = x*10 + x>>8
		x = ((x&0x000000FF000000FF)*0x000F424000000064 + (x>>16&0x000000FF000000FF)*0x0000271000000001) >> 32
		if x-1 >= f.most {
			break
		}
		v := float64(int64(x)) / f.div
		ms[k] = v
		sum += v
		ticks |= x
		last = e.delims
		start = int(e.at) + 1
	}
	tr.ms = tr.ms[:len(tr.ms)+k]
	tr.ticks |= ticks
	s.base.sumMS = sum
	s.rows += k
	s.rowsSinceLook -= k
	return k
}

// farCell returns begin and end of a column that lies beyond the first 64 bytes.
func (s *scan) farCell(start, c, lineEnd int) (int, int) {
	first, end := start, 0
	if c > 0 {
		first = mask.Nth(s.masks, start, c, lineEnd) + 1
	}
	if end = mask.Nth(s.masks, first, 1, lineEnd); end < 0 {
		end = lineEnd
	}
	return first, end
}

// named reports whether the cell at b[p:] is exactly name.
func (s *scan) named(b []byte, p int, name string) bool {
	n := p + len(name)
	if n >= len(b) || string(b[p:n]) != name {
		return false
	}
	c := b[n]
	return c == s.t.delim || c == s.t.eol || c == '\r'
}

// joinQuoted extends a row over the line ends inside a quoted cell. more says that the
// row goes on after this piece.
func (s *scan) joinQuoted(b []byte, i, end, next, n int, eof bool) (int, int, bool) {
	const longest = 16 << 10
	e, nx, lines := end, next, 0
	for openQuote(b[i:e], s.t.delim) {
		if nx-i > longest {
			return end, next, false // a stray quote, not a cell of many lines
		}
		k := bytes.IndexByte(b[nx:n], s.t.eol)
		if k < 0 {
			return end, next, !eof
		}
		e = nx + k
		nx = e + 1
		lines++
	}
	s.line += lines
	return e, nx, false
}

// openQuote reports whether a quoted cell in the line has no end.
func openQuote(line []byte, delim byte) bool {
	for {
		rest := cells.TrimLeft(line)
		if len(rest) > 0 && rest[0] == '"' {
			n := cells.QuotedLen(rest)
			if n == len(rest) && (n < 2 || rest[n-1] != '"' || oddQuotes(rest)) {
				return true
			}
			line = rest[n:]
		}
		k := bytes.IndexByte(line, delim)
		if k < 0 || delim == cells.None {
			return false
		}
		line = line[k+1:]
	}
}

func oddQuotes(b []byte) bool { return bytes.Count(b, []byte{'"'})%2 == 1 }

// fastRow reads the row b[base+start:base+end], which has the right number of cells. It
// returns false, having changed nothing, where the row needs a closer look.
func (s *scan) fastRow(b []byte, base, start, end int) bool {
	tr := s.cur
	if tr == nil || s.rowsSinceLook == 0 || s.pending.Total > 0 || len(tr.ms) == cap(tr.ms) {
		return false
	}
	if s.ch.prog >= 0 && !s.named(b, base+s.cell(start, s.ch.prog), tr.name) {
		return false
	}
	p := base + s.cell(start, s.main)
	if b[p] == ' ' {
		p++
	}
	mant, frac, stop := decimal.Scan(b, p, s.t.point)
	if stop < 0 {
		return false
	}
	if c := b[stop]; c != s.t.delim && stop != base+end && !(c == '\r' && stop+1 == base+end) {
		return false
	}
	return s.fastFrame(tr, mant, frac, stop-p)
}

// cell returns where column c of the row at start begins. The row has that column.
func (s *scan) cell(start, c int) int {
	if c == 0 {
		return start
	}
	m := s.masks
	i, shift := start>>6<<1, uint(start&63)
	w := m[i]>>shift | m[i+2]<<(mask.Block-shift) // the 64 bytes from start on
	for k := c; k > 1; k-- {
		w &= w - 1
	}
	if w == 0 { // further on
		return mask.Nth(m, start, c, start+fault.MaxLine) + 1
	}
	return start + bits.TrailingZeros64(w) + 1
}

// fastFrame adds the frame of a row whose number is mant / 10^frac.
func (s *scan) fastFrame(tr *track, mant uint64, frac, digits int) bool {
	if s.ch.main.stamp {
		if !tr.chain || tr.odd || tr.prev.Hi != 0 || tr.prev.Frac != frac || mant <= tr.prev.Lo {
			return false
		}
		mant -= tr.prev.Lo
	}
	dec := frac + s.dec
	if mant >= 1<<53 || uint(dec) > 22 {
		return false
	}
	ms := float64(mant) / decimal.Pow10[dec]
	if !(ms > 0 && ms <= longestMS) {
		return false
	}
	if s.ch.main.stamp {
		tr.prev.Lo += mant
	}
	tr.ms = append(tr.ms, ms)
	if dec != tr.dec {
		tr.dec, tr.mixed = max(tr.dec, dec), true
	}
	tr.ticks |= mant
	if frac != s.lastFrac || frac != s.fixed.frac {
		s.expect(frac)
	}
	s.lastFrac, s.lastDigits = frac, digits
	s.rows++
	s.rowsSinceLook--
	s.base.sumMS += ms
	return true
}

// slowRow reads a row of any kind and keeps book of what is wrong with it.
func (s *scan) slowRow(line []byte) {
	if len(bytes.TrimSpace(line)) == 0 {
		return
	}
	s.cells = cells.Split(s.cells[:0], line, s.t.delim)
	if len(s.cells) != s.t.columns {
		if bytes.Equal(line, s.t.heading) { // a heading with a comment sign may differ in cells
			s.restart()
			return
		}
		if s.t.delim == ',' && s.t.point == '.' && onlyDigits(s.cells, s.t.columns) {
			s.bad(tally.BadPoint)
			return
		}
		s.bad(tally.BadCells)
		return
	}
	n, k := decimal.Parse(s.cells[s.main], s.t.point)
	switch k {
	case decimal.IsText:
		if s.t.heading != nil && bytes.Equal(decimal.TrimBlank(line), decimal.TrimBlank(s.t.heading)) {
			s.restart()
			return
		}
		if _, k := decimal.Parse(s.cells[s.main], otherPoint(s.t.point)); k == decimal.IsNumber {
			s.bad(tally.BadPoint) // no summary looks so
			return
		}
		s.bad(tally.BadText)
		return
	case decimal.IsEmpty:
		s.bad(tally.BadEmpty)
		return
	case decimal.IsNonFinite:
		s.bad(tally.BadNonFinite)
		return
	}
	if s.ch.prog >= 0 && !s.use(decimal.TrimBlank(s.cells[s.ch.prog])) {
		s.limitErr = fault.New(s.line, "check program_column of the declared layout",
			"the column that names the program has more than %d different values", maxPrograms)
		return
	}
	s.frame(n, len(s.cells[s.main]))
}

func otherPoint(point byte) byte {
	if point == ',' {
		return '.'
	}
	return ','
}

// onlyDigits reports whether cells are what commas make of a row with decimal commas: more
// than the table has columns, at most two for each, and digits alone.
func onlyDigits(list [][]byte, columns int) bool {
	if len(list) <= columns || len(list) > 2*columns {
		return false
	}
	for _, c := range list {
		if c = decimal.TrimBlank(c); len(c) == 0 || !cells.Digits(c) {
			return false
		}
	}
	return true
}

// frame adds the frame that the number n stands for.
func (s *scan) frame(n decimal.Number, digits int) {
	tr := s.cur
	if s.ch.main.stamp {
		s.stampFrame(tr, n, digits)
		return
	}
	ms := n.In(s.dec)
	if r := judge(ms); r != tally.Reasons {
		s.bad(r)
		return
	}
	s.keep(tr, ms, n.Frac+s.dec, n.Long == nil)
	s.good(n, digits)
}

// stampFrame adds the frame that ends at the stamp n. A single stamp that is out of
// place is left out; where the next one follows it, the clock was set and goes on from
// there.
func (s *scan) stampFrame(tr *track, n decimal.Number, digits int) {
	st := decimal.StampOf(n)
	if !s.haveFirst {
		s.firstStamp, s.haveFirst = st, true
	}
	if !tr.chain {
		tr.prev, tr.chain = st, true
		s.good(n, digits)
		return
	}
	ms, dec, ok := decimal.Between(tr.prev, st, s.dec)
	r := judge(ms)
	if r == tally.BadNegative {
		r = tally.BadBackwards
	}
	if !ok {
		r = tally.BadStamp
	}
	if r != tally.Reasons && r != tally.BadZero && tr.odd {
		if m, d, ok := decimal.Between(tr.oddStamp, st, s.dec); ok && judge(m) == tally.Reasons {
			ms, dec, r = m, d, tally.Reasons
		}
	}
	tr.odd = r != tally.Reasons && r != tally.BadZero
	if r != tally.Reasons {
		tr.oddStamp = st
		s.bad(r)
		return
	}
	tr.prev = st
	s.keep(tr, ms, dec, true)
	s.good(n, digits)
}

// judge returns what is wrong with a frame time, [reasons] for nothing.
func judge(ms float64) tally.Reason {
	switch {
	case ms < 0:
		return tally.BadNegative
	case ms == 0:
		return tally.BadZero
	case !(ms <= longestMS):
		return tally.BadLong
	}
	return tally.Reasons
}

// keep stores a frame time and the grid it lies on.
func (s *scan) keep(tr *track, ms float64, dec int, grid bool) {
	if len(tr.ms) >= s.max {
		s.limitErr = fault.New(s.line, "split the log", "more than %d frames", s.max)
		return
	}
	tr.ms = append(tr.ms, ms)
	tr.slow = max(tr.slow, ms)
	if grid && dec <= 22 {
		tr.dec = max(tr.dec, dec)
	} else {
		tr.off = true
	}
	s.base.sumMS += ms
}

// good counts a row and, now and then, looks at the stamp beside its duration.
func (s *scan) good(n decimal.Number, digits int) {
	s.wrong.Join(&s.pending)
	s.lastFrac, s.lastDigits = n.Frac, digits
	s.rows++
	s.rowsSinceLook--
	if s.rowsSinceLook <= 0 {
		s.rowsSinceLook = checkEvery
		s.look(s.line)
	}
}

// bad notes a row that gives no frame. Whether it is wrong or part of a trailer is known
// when the next right row comes, or none.
func (s *scan) bad(r tally.Reason) {
	if s.rows == 0 && s.pending.Total == 0 && s.firstRow == tally.Reasons &&
		(r == tally.BadEmpty || r == tally.BadZero || r == tally.BadNonFinite) && !s.ch.main.stamp {
		s.firstRow, s.firstRowLine = r, s.line // the first frame has no predecessor
		return
	}
	s.pending.Add(r, s.line)
}

// restart notes a repeated heading. Lines ahead of it, as many as were ahead of the
// first one, belong to it. No frame spans it.
func (s *scan) restart() {
	structural := s.pending.Count[tally.BadCells] + s.pending.Count[tally.BadText]
	if structural == s.pending.Total && structural <= s.t.preamble {
		s.pending = tally.Tally{}
	}
	if s.restarts == 0 {
		s.restartLine = s.line
	}
	s.restarts++
	for _, tr := range s.tracks {
		tr.chain = false
	}
	s.base.pause()
}

// look compares the stamp in the current row's cells with the durations since the last
// look.
func (s *scan) look(line int) {
	if s.base.col < 0 || s.ch.prog >= 0 && len(s.tracks) > 1 {
		return
	}
	n, k := decimal.Parse(s.cells[s.base.col], s.t.point)
	if k != decimal.IsNumber {
		return
	}
	cur := 0.0
	if s.ch.start && len(s.cur.ms) > 0 {
		cur = s.cur.ms[len(s.cur.ms)-1] // begins at this stamp, so belongs to the next stretch
	}
	s.base.sumMS -= cur
	s.base.see(decimal.StampOf(n), line, s.lookLine)
	s.base.sumMS += cur
	s.lookLine = line
}

func (b *timeBase) pause() { b.broken = true; b.sumMS = 0 }

func (b *timeBase) see(st decimal.Stamp, line, from int) {
	if !b.have {
		b.first, b.last, b.have = st, st, true
		b.sumMS = 0
		return
	}
	ms, _, ok := decimal.Between(b.last, st, b.shift)
	if ok && !b.broken {
		b.total += ms
		b.sumAll += b.sumMS
		if diff := math.Abs(ms - b.sumMS); diff > 0.02*math.Max(ms, b.sumMS)+2*longestStep(st, b.shift) && diff > 20 {
			if b.gaps == 0 {
				b.gapLine = from
				b.gapMS = ms - b.sumMS
			}
			b.gaps++
		}
	}
	b.broken = false
	b.last, b.sumMS = st, 0
}

// longestStep is the resolution of a stamp in ms.
func longestStep(st decimal.Stamp, shift int) float64 { return math.Pow(10, float64(-st.Frac-shift)) }

// last takes what stands behind the last line end.
func (s *scan) last(line []byte) {
	line = cells.TrimCR(line)
	if len(bytes.TrimSpace(line)) == 0 {
		return
	}
	s.line++
	s.cells = cells.Split(s.cells[:0], line, s.t.delim)
	if len(s.cells) != s.t.columns {
		if len(s.cells) < s.t.columns && s.pending.Total == 0 {
			s.cutOff = s.line
			return
		}
		s.slowRow(line)
		return
	}
	if s.main == s.t.columns-1 && s.rows > 0 && s.looksCut(s.cells[s.main]) {
		s.cutOff = s.line
		return
	}
	s.slowRow(line)
}

// looksCut reports whether the number at the very end of the log lost digits: it has
// fewer decimals than the row before, or is whole and far shorter.
func (s *scan) looksCut(cell []byte) bool {
	n, k := decimal.Parse(cell, s.t.point)
	if k != decimal.IsNumber || n.Frac < s.lastFrac {
		return true
	}
	if n.Frac > 0 || len(cell) >= s.lastDigits {
		return false
	}
	if s.ch.main.stamp || s.cur == nil || len(s.cur.ms) == 0 {
		return true
	}
	ms := s.cur.ms
	return 5*n.In(s.dec) < slices.Min(ms[max(0, len(ms)-8):]) // a digit less is a tenth
}

// end closes the book: trailing lines without a frame are a trailer or wrong rows.
func (s *scan) end() error {
	structural := s.pending.Count[tally.BadCells] + s.pending.Count[tally.BadText] + s.pending.Count[tally.BadEmpty]
	if structural == s.pending.Total && structural <= maxTrailer {
		s.trailer = s.pending
		s.pending = tally.Tally{}
	}
	s.wrong.Join(&s.pending)
	if s.rows == 0 {
		return fault.New(s.line, "check that the log was written to its end", "no row with a frame time")
	}
	if float64(s.wrong.Total) > maxWrong*float64(s.rows+s.wrong.Total) {
		return fault.New(s.wrong.FirstLine(), "mend the log, or declare its layout if the wrong column was read",
			"wrong: %d of %s, more than 0.1 %%: %s", s.wrong.Total, record.Count(s.rows+s.wrong.Total, "row"), s.wrong.String())
	}
	return nil
}

// pick returns the track of the program that is asked for, or the one with most frames.
// Another program's figures in place of those asked for would mislead.
func (s *scan) pick(program string, declared bool) (*track, error) {
	if s.ch.prog < 0 || len(s.tracks) == 0 {
		return s.cur, nil
	}
	best := s.tracks[0]
	for _, tr := range s.tracks {
		if program != "" && sameProgram([]byte(tr.name), program) {
			return tr, nil
		}
		if len(tr.ms) > len(best.ms) {
			best = tr
		}
	}
	switch {
	case declared:
		return nil, fault.New(0, "correct program in the declared layout",
			"the log has no row of the program %q; most rows belong to %q", program, best.name)
	case program != "":
		return nil, fault.New(0, "ask for one of its programs",
			"the log has no row of the program %q; most rows belong to %q", program, best.name)
	}
	return best, nil
}

// frames returns the track's frames with their grid.
func (tr *track) frames() record.Frames {
	f := record.Frames{MS: tr.ms, Decimals: tr.dec}
	if len(tr.ms) == 0 {
		return f
	}
	// Ticks must come back from the doubles: half a tick is to be far above rounding.
	if tr.off || tr.dec > 22 || !tr.fits(1<<51) {
		f.Decimals = -1
	}
	return f
}

// fits reports whether all frame times are below limit ticks of the finest grid.
func (tr *track) fits(limit uint64) bool {
	scale := decimal.Pow10[tr.dec]
	if !tr.mixed {
		return bits.Len64(tr.ticks) < bits.Len64(limit) && tr.slow*scale < float64(limit)
	}
	return slices.Max(tr.ms)*scale < float64(limit)
}
