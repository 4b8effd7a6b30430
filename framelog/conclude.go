package framelog

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"capd.example/framelog/internal/cells"
	"capd.example/framelog/internal/decimal"
	"capd.example/framelog/internal/fault"
	"capd.example/framelog/internal/tally"
	"capd.example/framelog/internal/unwrap"
	"capd.example/record"
)

// conclude makes the reading from what the walk found.
func (r *Reader) conclude(src *unwrap.Source, t *table, ch choice, d Declared, program string) (record.Reading, error) {
	s := &r.scan
	tr, err := s.pick(program, d.Program != "")
	if err != nil {
		return record.Reading{}, err
	}
	if len(tr.ms) == 0 {
		return record.Reading{}, fault.New(0, "check that the log was written to its end",
			"a single time stamp makes no frame")
	}
	out := record.Reading{Frames: tr.frames(), Header: t.header}
	out.Layout = layoutOf(src, t, ch, d)
	if ch.prog >= 0 && len(s.tracks) > 0 {
		out.Layout.Program = tr.name
	}
	out.Remarks = s.remarks(t, tr, src.LineShift)
	if s.base.have {
		if span, _, ok := decimal.Between(s.base.first, s.base.last, s.base.shift); ok {
			out.SpanS = span / 1000
		}
		out.EpochS = wallClock(s.base.first, s.base.shift)
	}
	if ch.main.stamp && s.haveFirst {
		out.EpochS = wallClock(s.firstStamp, s.dec)
	}
	return out, nil
}

// wallClock returns a stamp as Unix seconds where it is one of the years 2000 to 2100,
// else 0.
func wallClock(st decimal.Stamp, shift int) float64 {
	v := st.Value() / math.Pow(10, float64(shift+3))
	if v >= 946684800 && v < 4102444800 {
		return v
	}
	return 0
}

func layoutOf(src *unwrap.Source, t *table, ch choice, d Declared) record.Layout {
	l := record.Layout{
		Format: src.Format, Compression: src.Compression, Encoding: src.Encoding,
		Decimal: string(t.point), Header: t.names != nil,
		Source: ch.main.kind(), Column: t.name(ch.main.col.pos), Unit: ch.main.unit.String(), Declared: d.Name,
	}
	if t.delim != cells.None {
		l.Delimiter = string(t.delim)
	}
	if t.latin1 && l.Encoding == "" {
		l.Encoding = "latin-1"
	}
	return l
}

// remarks says what was noticed and what was done about it.
func (s *scan) remarks(t *table, tr *track, shift int) []record.Remark {
	var out []record.Remark
	note := func(kind string, line, count int, format string, args ...any) {
		out = append(out, record.Remark{Kind: kind, Line: max(line-shift, min(line, 1)), Count: count,
			Text: fmt.Sprintf(format, args...)})
	}
	if s.firstRow != tally.Reasons {
		note(record.RemarkLeftOut, s.firstRowLine, 1, "the first row, left out, has %s: the first frame has no predecessor",
			tally.ReasonWords[s.firstRow])
	}
	if n := s.wrong.Count[tally.BadZero]; n > 0 {
		note(record.RemarkZeroFrames, s.wrong.First[tally.BadZero], n, "left out because their frame time is zero: %s",
			record.Count(n, "row"))
	}
	other := s.wrong
	other.Total -= other.Count[tally.BadZero]
	other.Count[tally.BadZero] = 0
	if other.Total > 0 {
		note(record.RemarkLeftOut, other.FirstLine(), other.Total, "left out: %d of %s: %s", other.Total,
			record.Count(s.rows+s.wrong.Total, "row"), other.String())
	}
	if s.restarts > 0 {
		note(record.RemarkRestarted, s.restartLine, s.restarts,
			"the heading is repeated: the logger started again; capd uses the %s of all its runs",
			record.Count(len(tr.ms), "frame"))
	}
	if s.trailer.Total > 0 {
		note(record.RemarkTrailer, s.trailer.FirstLine(), s.trailer.Total, "not read: %s after the table",
			record.Count(s.trailer.Total, "line"))
	}
	if s.summary > 0 {
		note(record.RemarkTrailer, s.line+1, s.summary,
			"not read: a summary at the end, %s with text where rows have numbers", record.Count(s.summary, "line"))
	}
	if s.cutOff > 0 {
		note(record.RemarkCutOff, s.cutOff, 1, "the last line ends in the middle and was left out")
	}
	if s.ch.prog >= 0 && len(s.tracks) > 1 {
		note(record.RemarkPrograms, 0, len(s.tracks), "%s", s.programs(t, tr))
	}
	if s.base.gaps > 0 {
		note(record.RemarkGap, s.base.gapLine, s.base.gaps,
			"the stamps of the %d rows from here on cover %.4g ms more than their frame times; %s of this kind in the log",
			checkEvery, s.base.gapMS, record.Count(s.base.gaps, "place"))
	}
	if b := s.base; b.have && b.total > 0 && math.Abs(b.sumAll-b.total) > 0.02*b.total {
		note(record.RemarkTimeBase, 0, 0, "the frame times sum to %.6g s, the stamps span %.6g s", b.sumAll/1000,
			b.total/1000)
	}
	return out
}

// programs lists the programs with their frames, the one that is used first.
func (s *scan) programs(t *table, used *track) string {
	all := slices.Clone(s.tracks)
	slices.SortStableFunc(all, func(a, b *track) int { return len(b.ms) - len(a.ms) })
	var parts []string
	for _, tr := range all {
		if tr != used && len(parts) < 8 {
			parts = append(parts, fmt.Sprintf("%q %d", tr.name, len(tr.ms)))
		}
	}
	return fmt.Sprintf("the rows belong to %d programs (%s): %q with %d frames is used; left out: %s", len(all),
		t.name(s.ch.prog), used.name, len(used.ms), strings.Join(parts, ", "))
}
