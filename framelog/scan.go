package framelog

import (
	"bytes"
	"math"
	"math/bits"
	"slices"

	"capd.example/record"
)

const (
	longestMS   = 600_000 // a frame above this is taken for a wrong row
	maxTrailer  = 100     // lines after the table that may be a summary
	maxPrograms = 256
	checkEvery  = 64   // rows between looks at the stamps beside durations
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

	prev     stamp
	chain    bool // prev is set
	odd      bool // the last stamp was out of place
	oddStamp stamp
}

// scan turns rows into frames. It goes through a log once, piece by piece.
type scan struct {
	t    *table
	ch   choice
	main int // column read
	dec  int // power of ten from its unit to ms
	line int // number of the last line seen
	max  int // frames allowed

	wrong, pending tally
	firstRow       reason
	firstRowLine   int
	rows           int // good rows
	restarts       int
	restartLine    int
	trailer        tally
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
	firstStamp    stamp // where stamps are the source
	haveFirst     bool

	guess    int // frames expected, for the first allocation
	limitErr error
	masks    []uint64
}

// timeBase compares stamps with the durations beside them.
type timeBase struct {
	col, shift  int
	first, last stamp
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
	*s = scan{t: t, ch: ch, main: ch.main.col.pos, dec: ch.main.unit.shift(), line: t.preamble, max: limit, cells: old.cells, masks: old.masks, guess: guess}
	for _, tr := range old.tracks {
		*tr = track{ms: tr.ms[:0]}
	}
	s.tracks = old.tracks[:0]
	s.firstRow = reasons
	s.base.col = -1
	if ch.stamp != nil {
		s.base.col, s.base.shift = ch.stamp.col.pos, ch.stamp.unit.shift()
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
	blocks := (n - i + block - 1) / block
	if need := 2*blocks + 4; len(s.masks) < need {
		s.masks = make([]uint64, max(need, 2*pieceSize/block+4))
	}
	f := masks(b[i:], blocks, s.t.delim, s.t.eol, s.masks)
	clear(s.masks[2*blocks : 2*blocks+4])
	if f&someNUL != 0 && s.t.delim != noDelim || f&someNUL != 0 && bytes.IndexByte(b[i:n], 0) >= 0 {
		k := bytes.IndexByte(b[i:n], 0)
		return i, fault(s.line+1+bytes.Count(b[i:i+k], []byte{s.t.eol}), "check that it is a text log; a log cut off by a crash can end in NUL bytes, remove them", "a NUL byte")
	}
	if s.t.delim == blankDelim || f&someQuote != 0 {
		return s.slowLines(b, i, n, eof, f&someQuote != 0)
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
		s.slowRow(trimCR(b[i:end]))
		if s.limitErr != nil {
			return i, s.limitErr
		}
		i = next
	}
	return i, nil
}

// fastLines goes from line end to line end by the masks. All delimiters of a row are
// counted, so that a row with too many or too few cells is noticed; of its cells only
// those that are needed are looked at. A row that is not plain and right takes the slow
// road, which says what is the matter.
func (s *scan) fastLines(b []byte, base, n int) (int, error) {
	var (
		m         = s.masks
		w         = 0    // word of the current line end
		ends      = m[1] // line ends not yet taken in word w
		before    = 0    // delimiters in the words before w
		last      = 0    // delimiters up to the end of the row before
		start     = 0    // of the row, from base
		want      = s.t.columns - 1
		lastBlock = (n - base + block - 1) / block
	)
	for {
		for ends == 0 {
			if w++; w >= lastBlock {
				return base + start, nil
			}
			before += bits.OnesCount64(m[2*w-2])
			ends = m[2*w+1]
		}
		bit := bits.TrailingZeros64(ends)
		ends &= ends - 1
		end := w<<6 + bit
		upTo := before + bits.OnesCount64(m[2*w]&(1<<uint(bit)-1))
		cells := upTo - last
		last = upTo
		s.line++
		if cells != want || !s.fastRow(b, base, start, end) {
			s.slowRow(trimCR(b[base+start : base+end]))
			if s.limitErr != nil {
				return base + start, s.limitErr
			}
		}
		start = end + 1
	}
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
		rest := trimLeftBlank(line)
		if len(rest) > 0 && rest[0] == '"' {
			n := quotedLen(rest)
			if n == len(rest) && (n < 2 || rest[n-1] != '"' || oddQuotes(rest)) {
				return true
			}
			line = rest[n:]
		}
		k := bytes.IndexByte(line, delim)
		if k < 0 || delim == noDelim {
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
	if tr == nil || s.rowsSinceLook == 0 || s.pending.total > 0 || len(tr.ms) == cap(tr.ms) {
		return false
	}
	if s.ch.prog >= 0 {
		p := s.cell(start, s.ch.prog, end)
		n := len(tr.name)
		if base+p+n >= len(b) || string(b[base+p:base+p+n]) != tr.name {
			return false
		}
		if c := b[base+p+n]; c != s.t.delim && c != s.t.eol && c != '\r' {
			return false
		}
	}
	p := base + s.cell(start, s.main, end)
	if b[p] == ' ' {
		p++
	}
	mant, frac, stop := scanDecimal(b, p, s.t.point)
	if stop < 0 {
		return false
	}
	if c := b[stop]; c != s.t.delim && stop != base+end && !(c == '\r' && stop+1 == base+end) {
		return false
	}
	return s.fastFrame(tr, mant, frac, stop-p)
}

// cell returns where column c of the row at start begins. The row has that column.
func (s *scan) cell(start, c, end int) int {
	if c == 0 {
		return start
	}
	m := s.masks
	i, shift := start>>6<<1, uint(start&63)
	w := m[i]>>shift | m[i+2]<<(block-shift) // the 64 bytes from start on
	for k := c; k > 1; k-- {
		w &= w - 1
	}
	if w == 0 { // further on
		return nth(m, start, c, end) + 1
	}
	return start + bits.TrailingZeros64(w) + 1
}

// fastFrame adds the frame of a row whose number is mant / 10^frac.
func (s *scan) fastFrame(tr *track, mant uint64, frac, digits int) bool {
	if s.ch.main.stamp {
		if !tr.chain || tr.odd || tr.prev.hi != 0 || tr.prev.frac != frac || mant <= tr.prev.lo {
			return false
		}
		mant -= tr.prev.lo
	}
	dec := frac + s.dec
	if mant >= 1<<53 || uint(dec) > 22 {
		return false
	}
	ms := float64(mant) / pow10f[dec]
	if !(ms > 0 && ms <= longestMS) {
		return false
	}
	if s.ch.main.stamp {
		tr.prev.lo += mant
	}
	tr.ms = append(tr.ms, ms)
	if dec != tr.dec {
		tr.dec, tr.mixed = max(tr.dec, dec), true
	}
	tr.ticks |= mant
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
	s.cells = splitCells(s.cells[:0], line, s.t.delim)
	if len(s.cells) != s.t.columns {
		if bytes.Equal(line, s.t.heading) { // a heading with a comment sign may differ in cells
			s.restart()
			return
		}
		s.bad(badCells)
		return
	}
	n, k := parseCell(s.cells[s.main], s.t.point)
	switch k {
	case isText:
		if s.t.heading != nil && bytes.Equal(trimBlank(line), trimBlank(s.t.heading)) {
			s.restart()
			return
		}
		s.bad(badText)
		return
	case isEmpty:
		s.bad(badEmpty)
		return
	case isNonFinite:
		s.bad(badNonFinite)
		return
	}
	if s.ch.prog >= 0 && !s.use(trimBlank(s.cells[s.ch.prog])) {
		s.limitErr = fault(s.line, "check program_column of the declared layout", "the column that names the program has more than %d different values", maxPrograms)
		return
	}
	s.frame(n, len(s.cells[s.main]))
}

// frame adds the frame that the number n stands for.
func (s *scan) frame(n number, digits int) {
	tr := s.cur
	if s.ch.main.stamp {
		s.stampFrame(tr, n, digits)
		return
	}
	ms := n.in(s.dec)
	if r := judge(ms); r != reasons {
		s.bad(r)
		return
	}
	s.keep(tr, ms, n.frac+s.dec, n.long == nil)
	s.good(n, digits)
}

// stampFrame adds the frame that ends at the stamp n. A single stamp that is out of
// place is left out; where the next one follows it, the clock was set and goes on from
// there.
func (s *scan) stampFrame(tr *track, n number, digits int) {
	st := stampOf(n)
	if !s.haveFirst {
		s.firstStamp, s.haveFirst = st, true
	}
	if !tr.chain {
		tr.prev, tr.chain = st, true
		s.good(n, digits)
		return
	}
	ms, dec, ok := between(tr.prev, st, s.dec)
	r := judge(ms)
	if r == badNegative {
		r = badBackwards
	}
	if !ok {
		r = badStamp
	}
	if r != reasons && r != badZero && tr.odd {
		if m, d, ok := between(tr.oddStamp, st, s.dec); ok && judge(m) == reasons {
			ms, dec, r = m, d, reasons
		}
	}
	tr.odd = r != reasons && r != badZero
	if r != reasons {
		tr.oddStamp = st
		s.bad(r)
		return
	}
	tr.prev = st
	s.keep(tr, ms, dec, true)
	s.good(n, digits)
}

// judge returns what is wrong with a frame time, [reasons] for nothing.
func judge(ms float64) reason {
	switch {
	case ms < 0:
		return badNegative
	case ms == 0:
		return badZero
	case !(ms <= longestMS):
		return badLong
	}
	return reasons
}

// keep stores a frame time and the grid it lies on.
func (s *scan) keep(tr *track, ms float64, dec int, grid bool) {
	if len(tr.ms) >= s.max {
		s.limitErr = fault(s.line, "split the log", "more than %d frames", s.max)
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
func (s *scan) good(n number, digits int) {
	s.wrong.join(&s.pending)
	s.lastFrac, s.lastDigits = n.frac, digits
	s.rows++
	s.rowsSinceLook--
	if s.rowsSinceLook <= 0 {
		s.rowsSinceLook = checkEvery
		s.look(s.line)
	}
}

// bad notes a row that gives no frame. Whether it is wrong or part of a trailer is known
// when the next right row comes, or none.
func (s *scan) bad(r reason) {
	if s.rows == 0 && s.pending.total == 0 && s.firstRow == reasons && (r == badEmpty || r == badZero || r == badNonFinite) && !s.ch.main.stamp {
		s.firstRow, s.firstRowLine = r, s.line // the first frame has no predecessor
		return
	}
	s.pending.add(r, s.line)
}

// restart notes a repeated heading. Lines ahead of it, as many as were ahead of the
// first one, belong to it. No frame spans it.
func (s *scan) restart() {
	structural := s.pending.count[badCells] + s.pending.count[badText]
	if structural == s.pending.total && structural <= s.t.preamble {
		s.pending = tally{}
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
	n, k := parseCell(s.cells[s.base.col], s.t.point)
	if k != isNumber {
		return
	}
	cur := 0.0
	if s.ch.start && len(s.cur.ms) > 0 {
		cur = s.cur.ms[len(s.cur.ms)-1] // begins at this stamp, so belongs to the next stretch
	}
	s.base.sumMS -= cur
	s.base.see(stampOf(n), line, s.lookLine)
	s.base.sumMS += cur
	s.lookLine = line
}

func (b *timeBase) pause() { b.broken = true; b.sumMS = 0 }

func (b *timeBase) see(st stamp, line, from int) {
	if !b.have {
		b.first, b.last, b.have = st, st, true
		b.sumMS = 0
		return
	}
	ms, _, ok := between(b.last, st, b.shift)
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
func longestStep(st stamp, shift int) float64 { return math.Pow(10, float64(-st.frac-shift)) }

// last takes what stands behind the last line end.
func (s *scan) last(line []byte) {
	line = trimCR(line)
	if len(bytes.TrimSpace(line)) == 0 {
		return
	}
	s.line++
	s.cells = splitCells(s.cells[:0], line, s.t.delim)
	if len(s.cells) != s.t.columns {
		if len(s.cells) < s.t.columns && s.pending.total == 0 {
			s.cutOff = s.line
			return
		}
		s.slowRow(line)
		return
	}
	if s.main == s.t.columns-1 && s.rows > 0 {
		n, k := parseCell(s.cells[s.main], s.t.point)
		if k != isNumber || n.frac < s.lastFrac || n.frac == 0 && len(s.cells[s.main]) < s.lastDigits {
			s.cutOff = s.line
			return
		}
	}
	s.slowRow(line)
}

// end closes the book: trailing lines without a frame are a trailer or wrong rows.
func (s *scan) end() error {
	structural := s.pending.count[badCells] + s.pending.count[badText] + s.pending.count[badEmpty]
	if structural == s.pending.total && structural <= maxTrailer {
		s.trailer = s.pending
		s.pending = tally{}
	}
	s.wrong.join(&s.pending)
	if s.rows == 0 {
		return fault(s.line, "check that the log was written to its end", "no row with a frame time")
	}
	if float64(s.wrong.total) > maxWrong*float64(s.rows+s.wrong.total) {
		return fault(s.wrong.firstLine(), "mend the log, or declare its layout if the wrong column was read",
			"%d of %d rows are wrong, more than 0.1 %%: %s", s.wrong.total, s.rows+s.wrong.total, s.wrong.String())
	}
	return nil
}

// pick returns the track of the program that is asked for, else the one with most
// frames.
func (s *scan) pick(program string) (*track, error) {
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
	scale := pow10f[tr.dec]
	if !tr.mixed {
		return bits.Len64(tr.ticks) < bits.Len64(limit) && tr.slow*scale < float64(limit)
	}
	return slices.Max(tr.ms)*scale < float64(limit)
}
