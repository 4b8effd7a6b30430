package chart

import (
	"fmt"
	"math"
	"strings"

	"capd.example/analysis"
)

// Words are what stands in a picture beside its drawing.
type Words struct {
	Name       string // of its files
	Title      string
	Note       string // below the title: what is shown
	Unit       string
	Confidence string // of the intervals: "95 %"
}

// Row is a group of bars with one name, one bar for each series.
type Row struct {
	Label     string
	Values    []analysis.Figure // N 0 where there is none
	Highlight bool
}

// MostRows is how many rows of so many series a video frame holds with texts that can be read on
// a phone, one at least. The numbers are a convention that TestMostRowsAreReadable holds.
func MostRows(series int) int {
	return max(1, map[int]int{1: 22, 2: 14}[max(1, min(series, 2))]-3*max(0, series-2))
}

// Grouped shows rows of bars, one for each series. end is what the axis must hold, 0 for what the
// rows need; decimals are those of the figures.
func Grouped(w Words, series []string, decimals int, end float64, rows []Row) Chart {
	if end == 0 {
		end = GroupedEnd(rows)
	}
	var desc strings.Builder
	for i, r := range rows {
		if i == 12 {
			fmt.Fprintf(&desc, "and %d more", len(rows)-i)
			break
		}
		desc.WriteString(r.Label + ":")
		for k, f := range r.Values {
			if f.N > 0 {
				fmt.Fprintf(&desc, " %s %.*f,", series[k], decimals, f.Value())
			}
		}
		desc.WriteByte(' ')
	}
	g := grouped{w, series, decimals, end, rows}
	return Chart{Name: w.Name, Title: w.Title, note: w.Note, key: g.key(), desc: "In " + w.Unit + ". " + desc.String(),
		draw: g.draw}
}

// GroupedEnd is what an axis of these rows must hold, so that pictures beside each other can
// have the same.
func GroupedEnd(rows []Row) float64 {
	figure, interval := 0.0, 0.0
	for _, r := range rows {
		for _, f := range r.Values {
			if f.N > 0 {
				figure, interval = math.Max(figure, finite(f.Value())), math.Max(interval, finite(float64(f.CIHigh)))
			}
		}
	}
	return math.Max(figure, math.Min(interval, 1.5*figure))
}

type grouped struct {
	Words
	series   []string
	decimals int
	end      float64
	rows     []Row
}

// key names the series where there are several, the highlight and the intervals where they are.
func (g grouped) key() (out []Sign) {
	box := func(fill ink) func(*Canvas, float64, float64) {
		return func(c *Canvas, x, middle float64) { c.rect(x, middle-0.4*c.font, 1.8*c.font, 0.8*c.font, fill) }
	}
	if len(g.series) > 1 {
		for k, name := range g.series {
			out = append(out, Sign{box(series(k)), name})
		}
	}
	for _, r := range g.rows {
		for _, f := range r.Values {
			if f.N > 0 && f.CILow.Known() {
				return append(out, Sign{func(c *Canvas, x, middle float64) {
					c.interval(x+0.1*c.font, x+1.7*c.font, middle, 0.8*c.font, false)
				}, "uncertainty, " + g.Confidence})
			}
		}
	}
	return out
}

// ink is the colour of a bar: with one series the highlighted row stands out by it, with several
// by its name and frame alone.
func (g grouped) ink(k int, r Row) ink {
	if r.Highlight && len(g.series) == 1 {
		return inkHighlight
	}
	return series(k)
}

func (g grouped) draw(c *Canvas, top float64) float64 {
	size := c.font
	unit, text := 1.15*size*float64(len(g.series))+0.9*size, size
	if !c.free {
		all := c.h - 2.6*size - top
		unit = math.Min(all/float64(max(1, len(g.rows))), (3.2*float64(len(g.series))+2)*size)
		text = math.Max(math.Min(1.7*size, 0.6*unit/float64(len(g.series))), leastText*size)
		top += 0.35 * (all - unit*float64(len(g.rows))) // a few rows do not hang at the top
	}
	name, label := math.Min(text, math.Max(1.1*size, 0.28*unit)), 0.0
	for _, r := range g.rows {
		label = math.Max(label, textWidth(r.Label, name, r.Highlight))
	}
	room := math.Min(label, 0.36*c.w)
	left := size + room + 0.6*size
	right := c.w - size - textWidth(fmt.Sprintf("%.*f", g.decimals, g.end)+"00", text, true)
	scale := ticks(g.end, 6)
	x := axis{left, right, scale[len(scale)-1]}.at
	bottom := top + unit*float64(len(g.rows))
	for _, t := range scale {
		c.line(x(t), top, x(t), bottom, 1, inkGrid)
		c.write(x(t), bottom+1.3*size, 0.9*size, "middle", inkMuted, fmt.Sprintf("%g", t))
	}
	c.write(c.w-size, bottom+2.3*size, 0.9*size, "end", inkMuted, g.Unit)
	most := max(1, int(unit/(1.15*name)))
	for i, r := range g.rows {
		y := top + unit*float64(i)
		parts := lines(r.Label, name, room, most, r.Highlight)
		for k, l := range parts {
			at := y + unit/2 + name*(0.35+1.15*(float64(k)-float64(len(parts)-1)/2))
			c.write(left-0.5*size, at, name, "end", inkText, l).bold = r.Highlight
		}
		bar, gap := 0.8*unit/float64(len(g.series)), 0.1*unit
		for k, f := range r.Values {
			if f.N == 0 {
				continue
			}
			at := y + gap + bar*float64(k)
			c.rect(left, at+0.06*bar, x(finite(f.Value()))-left, 0.88*bar, g.ink(k, r))
			end := finite(f.Value())
			if f.CILow.Known() && f.CIHigh.Known() {
				a, b := x(math.Max(0, float64(f.CILow))), x(float64(f.CIHigh))
				c.interval(a, b, at+bar/2, math.Min(bar, 1.6*size), float64(f.CIHigh) > scale[len(scale)-1])
				end = math.Max(end, math.Min(float64(f.CIHigh), scale[len(scale)-1]))
			}
			value := fmt.Sprintf("%.*f", g.decimals, f.Value())
			if f.Shown == "median" {
				value += "*"
			}
			high := math.Max(math.Min(text, 0.95*bar), leastText*size)
			c.write(x(end)+0.4*size, at+bar/2+0.35*high, high, "start", inkText, value).bold = k == 0 || r.Highlight
		}
	}
	return bottom + 2.4*size
}

// leastText is the smallest text in a picture, in ordinary text sizes: at 1920 x 1080 22 pixels,
// nine on a phone that is 800 wide (common practice for video: a fiftieth of the height).
const leastText = 0.85

// Change is one difference with its interval, less 1.
type Change struct {
	Label          string
	By, Low, High  float64 // 0.05 is five per cent more; Low and High NaN where not known
	Shown          bool    // the interval does not hold zero
	Highlight, Sum bool
}

// ChangesEnd returns how far the axis of [Changes] has to reach to either side.
func ChangesEnd(rows []Change) float64 {
	most := 0.0
	for _, r := range rows {
		most = math.Max(most, math.Abs(r.By))
	}
	for _, r := range rows { // an interval of many times the bars would leave nothing of them
		for _, v := range []float64{r.Low, r.High} {
			if math.Abs(v) < 3*most {
				most = math.Max(most, math.Abs(v))
			}
		}
	}
	return most
}

// Changes shows differences about a line of none: what was before and after. End is as for
// [ChangesEnd], of all rows where these are some of them.
func Changes(w Words, end float64, rows []Change) Chart {
	var desc strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&desc, "%s %+.1f %%; ", r.Label, 100*r.By)
	}
	key := []Sign{{func(c *Canvas, x, middle float64) { c.rect(x, middle-0.4*c.font, 1.8*c.font, 0.8*c.font, series(0)) },
		"certain"}, {func(c *Canvas, x, middle float64) {
		c.rect(x, middle-0.4*c.font, 1.8*c.font, 0.8*c.font, inkGrid)
	}, "perhaps none"},
		{func(c *Canvas, x, middle float64) { c.interval(x+0.1*c.font, x+1.7*c.font, middle, 0.8*c.font, false) },
			"uncertainty, " + w.Confidence}}
	return Chart{Name: w.Name, Title: w.Title, note: w.Note, key: key, desc: desc.String(),
		draw: func(c *Canvas, top float64) float64 { return drawChanges(c, top, 100*end, rows) }}
}

func drawChanges(c *Canvas, top, most float64, rows []Change) float64 {
	size := c.font
	unit, text := 2.1*size, size
	if !c.free {
		unit = math.Min((c.h-2.6*size-top)/float64(max(1, len(rows))), 3.4*size)
		text = math.Max(math.Min(1.2*size, 0.6*unit), leastText*size)
	}
	label := 0.0
	for _, r := range rows {
		label = math.Max(label, textWidth(r.Label, text, true))
	}
	room := math.Min(label, 0.36*c.w)
	side := textWidth("+00.0 %", text, true) + 0.8*size
	left, right := size+room+side, c.w-size-side
	half := ticks(math.Max(most, 0.1), 3)
	end := half[len(half)-1]
	x := func(v float64) float64 {
		return left + (right-left)*(math.Max(-end, math.Min(end, v))+end)/(2*end)
	}
	bottom := top + unit*float64(len(rows))
	for _, t := range half {
		for _, v := range []float64{-t, t} {
			c.line(x(v), top, x(v), bottom, 1, inkGrid)
			c.write(x(v), bottom+1.3*size, 0.9*size, "middle", inkMuted, strings.TrimPrefix(fmt.Sprintf("%+g", v+0), "+0"))
		}
	}
	c.write(x(0), bottom+1.3*size, 0.9*size, "middle", inkMuted, "0")
	c.write(c.w-size, bottom+2.3*size, 0.9*size, "end", inkMuted, "%")
	for i, r := range rows {
		y := top + unit*float64(i)
		bold := r.Highlight || r.Sum
		c.write(size, y+unit/2+0.35*text, text, "start", inkText, fit(r.Label, text, room, bold)).bold = bold
		fill := inkGrid
		switch {
		case r.Highlight && r.Shown:
			fill = inkHighlight
		case r.Shown:
			fill = series(0)
		}
		a, b := x(0), x(100*r.By)
		c.rect(math.Min(a, b), y+0.15*unit, math.Abs(b-a), 0.7*unit, fill)
		low, high := b, b
		if !math.IsNaN(r.Low) && !math.IsNaN(r.High) {
			low, high = x(100*r.Low), x(100*r.High)
			c.interval(low, high, y+unit/2, math.Min(0.7*unit, 1.6*size), 100*r.High > end)
		}
		value := fmt.Sprintf("%+.1f %%", 100*r.By)
		if r.By >= 0 {
			c.write(math.Max(b, high)+0.4*size, y+unit/2+0.35*text, text, "start", inkText, value).bold = true
		} else {
			c.write(math.Min(b, low)-0.4*size, y+unit/2+0.35*text, text, "end", inkText, value).bold = true
		}
	}
	c.line(x(0), top, x(0), bottom, math.Max(1, 0.08*size), inkText)
	return bottom + 2.4*size
}

// Curves shows lines over named places, such as percentiles.
func Curves(w Words, places []string, lines []Line) Chart {
	desc := ""
	for _, l := range lines {
		desc += l.Name + ":"
		for i, p := range l.Points {
			if p.N > 0 {
				desc += fmt.Sprintf(" %s %s,", places[i], Shown(p))
			}
		}
		desc += " "
	}
	return Chart{Name: w.Name, Title: w.Title, note: w.Note, desc: "In " + w.Unit + ". " + desc,
		draw: func(c *Canvas, top float64) float64 { return drawLines(c, top, w.Unit, places, lines) }}
}
