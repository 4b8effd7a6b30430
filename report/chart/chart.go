package chart

import (
	"fmt"
	"math"
	"sort"
	"strings"

	readable "capd.example/internal/text"

	"capd.example/analysis"
	"capd.example/record"
)

// Chart is a drawing that can be made in any size: narrow in the page, wide for a video.
type Chart struct {
	Name  string // of its files
	Group string // heading in the page that it stands under
	Title string
	short string // title where the page's heading says the rest; "" for title
	note  string // below the title: what is shown, definitions
	key   []Sign // what forms and colours mean
	desc  string // for who cannot see it
	// draw draws below top and returns where it ends.
	draw func(c *Canvas, top float64) (end float64)
}

// render draws the chart in a size with an ordinary text size; a height of 0 is as high as
// it needs.
func (ch Chart) render(w, h, size float64) *Canvas { return ch.renderIn(nil, w, h, size) }

func (ch Chart) renderIn(t *Theme, w, h, size float64) *Canvas {
	c := &Canvas{w: w, h: h, font: size, free: h == 0, title: ch.Title, desc: ch.desc, theme: t}
	pad := size
	y := pad - size*0.5
	title := ch.Title
	if c.free && ch.short != "" {
		title = ch.short
	}
	_, _, logo, _ := c.logoBox()
	for _, line := range lines(title, size*1.3, w-2*pad-logo, 4, true) {
		y += size * 1.6
		c.write(pad, y, size*1.3, "start", inkText, line).bold = true
	}
	for _, line := range lines(ch.note, size*0.9, w-2*pad-logo, 9, false) {
		y += size * 1.3
		c.write(pad, y, size*0.9, "start", inkMuted, line)
	}
	end := ch.draw(c, c.signs(ch.key, y)+size*0.9)
	if c.free {
		c.h = end + pad
	}
	return c
}

// Sign is one entry of a chart's key: what is drawn, and what it means in words, which name
// its form or text as well as its colour.
type Sign struct {
	draw func(c *Canvas, x, middle float64) // 1.8 text sizes wide
	text string
}

// signs writes the key below y, as many entries on a line as fit, and returns where it
// ends.
func (c *Canvas) signs(key []Sign, y float64) float64 {
	size := c.font
	x := c.w
	for _, s := range key {
		need := 2.3*size + textWidth(s.text, 0.9*size, false)
		if x > size && x+need > c.w-size {
			x, y = size, y+1.5*size
		}
		s.draw(c, x, y-0.32*size)
		for i, l := range lines(s.text, 0.9*size, c.w-x-3.3*size, 3, false) {
			if i > 0 {
				y += 1.2 * size
			}
			c.write(x+2.3*size, y, 0.9*size, "start", inkText, l)
		}
		x += need + 1.2*size
	}
	return y
}

// InPage draws the chart for a column of the page, as high as it needs.
func (ch Chart) InPage() *Canvas { return ch.render(560, 0, 14) }

// OnPhone draws it for a narrow screen.
func (ch Chart) OnPhone() *Canvas { return ch.render(narrow, 0, 13) }

// Wide draws the chart for a video frame of 1920 x 1080.
func (ch Chart) Wide() *Canvas { return ch.render(1920, 1080, 26) }

// narrow is the width below which names stand above their bars.
const narrow = 350

// lower returns the lower end of what is drawn below top: as much as is wanted, or what the
// frame has.
func (c *Canvas) lower(top, want float64) float64 {
	if c.free {
		return top + want
	}
	return c.h - c.font
}

// lines breaks a text into lines of a width, most at the most. A word that is too long is
// broken; what is left for the last line is shortened in the middle, since names that look
// alike differ at their ends.
func lines(text string, size, width float64, most int, bold bool) []string {
	out := wrap(text, size, width, bold)
	if len(out) > most {
		out = append(out[:most-1], fit(strings.Join(out[most-1:], " "), size, width, bold))
	}
	return out
}

// wrap breaks a text into lines of a width.
func wrap(text string, size, width float64, bold bool) []string {
	var out []string
	line := ""
	for _, word := range splitWords(text) {
		next := word
		if line != "" {
			next = line + " " + word
		}
		if line != "" && textWidth(next, size, bold) > width {
			out = append(out, line)
			next = word
		}
		line = next
		for len(out) < 100 { // a longer text is cut anyway
			head, rest := broken(line, size, width, bold)
			if rest == "" {
				break
			}
			out, line = append(out, head), rest
		}
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

// broken parts a single word that is wider than a line.
func broken(word string, size, width float64, bold bool) (head, rest string) {
	if textWidth(word, size, bold) <= width {
		return word, ""
	}
	r := []rune(word)
	n := max(1, sort.Search(len(r), func(n int) bool { return textWidth(string(r[:n+1]), size, bold) > width }))
	if n >= len(r) {
		return word, ""
	}
	return string(r[:n]), string(r[n:])
}

func splitWords(s string) []string {
	var out []string
	word := ""
	// A number and its per cent stay together.
	for _, r := range strings.ReplaceAll(readable.Plain(s), " %", "\u00a0%") {
		if r == ' ' {
			if word != "" {
				out = append(out, word)
			}
			word = ""
			continue
		}
		word += string(r)
	}
	if word != "" {
		out = append(out, word)
	}
	return out
}

// ticks returns round values from 0 to at least max.
func ticks(max float64, want int) []float64 {
	if !(max > 0) || math.IsInf(max, 1) {
		return []float64{0, 1}
	}
	step := math.Pow(10, math.Floor(math.Log10(max/float64(want))))
	for _, f := range []float64{1, 2, 5, 10} {
		if max/(step*f) <= float64(want) {
			step *= f
			break
		}
	}
	var out []float64
	for i := 0; ; i++ {
		out = append(out, float64(i)*step)
		if float64(i)*step >= max {
			return out
		}
	}
}

// BarRow is one cell of a bar chart.
type BarRow struct {
	Label         string
	Average, Low1 analysis.Figure
}

// Bars shows average and 1% low with their intervals, of a confidence; part says which
// part of several it is, end what the axis of all of them must hold, so that their bars
// compare.
func Bars(name, title, more, part, confidence string, end float64, rows []BarRow) Chart {
	stripe := func(high float64, fill ink) func(*Canvas, float64, float64) {
		return func(c *Canvas, x, middle float64) {
			c.rect(x, middle-high*c.font/2, 1.8*c.font, high*c.font, fill)
		}
	}
	span := func(c *Canvas, x, middle float64) {
		c.interval(x+0.1*c.font, x+1.7*c.font, middle, 0.8*c.font, false)
	}
	return Chart{Name: name, Title: title + part, short: "Average and 1% low" + part,
		desc: "In frames per second. " + barText(rows),
		note: more + "Frames per second (FPS); longer is better." + medians(rows),
		key: []Sign{{stripe(0.92, series(0)), "average (wide, blue)"}, {stripe(0.54, series(1)), "1% low (narrow, orange)"},
			{span, "uncertainty, " + confidence + " (thin line; arrow: longer)"}},
		draw: func(c *Canvas, top float64) float64 { return drawBars(c, top, end, rows) }}
}

// medians explains the mark of figures that are medians, where one is.
func medians(rows []BarRow) string {
	for _, r := range rows {
		if r.Average.Shown == "median" || r.Low1.Shown == "median" {
			return " * median: the passes differ too much."
		}
	}
	return ""
}

func barText(rows []BarRow) string {
	s := ""
	for i, r := range rows {
		if i == 12 {
			return s + fmt.Sprintf("and %d more in the table", len(rows)-i)
		}
		s += fmt.Sprintf("%s: average %s, 1%% low %s; ", r.Label, Shown(r.Average), Shown(r.Low1))
	}
	return s
}

// rowHeight is that of a row of bars or of a map in the page, in text sizes.
const rowHeight = 2.1

func drawBars(c *Canvas, top, end float64, rows []BarRow) float64 {
	pad, size := c.font, c.font
	label := 0.0
	for _, r := range rows {
		label = math.Max(label, textWidth(r.Label, size, false))
	}
	above := c.w <= narrow
	room := math.Min(label, 0.42*c.w)
	left := pad + room + size*0.6
	if above {
		left, room = pad, c.w-2*pad
	}
	text, most, unit := size, 6, rowHeight*size
	if !c.free { // a few bars do not fill a video frame
		all := c.h - 2.2*size - top
		unit = math.Min(all/float64(max(1, len(rows))), 7*size)
		text = math.Max(math.Min(size, unit*0.75), math.Min(1.5*size, unit*0.3))
		room = math.Min(label*math.Max(1, text/size), 0.42*c.w)
		left = pad + room + size*0.6
		most = max(1, int(unit/(1.15*text)))
		top += 0.3 * (all - unit*float64(len(rows)))
	}
	names, step, bottom := make([][]string, len(rows)), make([]float64, len(rows)), top
	for i, r := range rows {
		names[i] = lines(r.Label, text, room, most, false)
		high := 1.15 * text * float64(len(names[i]))
		switch {
		case above:
			step[i] = unit + high
		case c.free:
			step[i] = math.Max(unit, high+0.6*size)
		default:
			step[i] = unit
		}
		bottom += step[i]
	}
	right := c.w - pad - textWidth("000.0*", math.Max(size, text), true)
	scale := ticks(end, 6)
	x := axis{left, right, scale[len(scale)-1]}.at
	for _, t := range scale {
		c.line(x(t), top, x(t), bottom, 1, inkGrid)
		c.write(x(t), bottom+1.3*size, size*0.9, "middle", inkMuted, fmt.Sprintf("%g", t))
	}
	last := scale[len(scale)-1]
	c.write(x(last)+textWidth(fmt.Sprintf("%g ", last), size*0.9, false)*0.6, bottom+1.3*size, size*0.9, "start",
		inkMuted, "FPS")
	y := top
	for i, r := range rows {
		high := 1.15 * text * float64(len(names[i]))
		at := y + (step[i]-unit)/2
		if above {
			c.column(left, y+text, text, "start", names[i])
			at = y + high
		} else {
			c.column(left-c.font*0.5, y+(step[i]-high)/2+0.9*text, text, "end", names[i])
		}
		bar(c, x, r.Average, at+unit*0.10, unit*0.44, series(0))
		bar(c, x, r.Low1, at+unit*0.60, unit*0.26, series(1))
		besideBar(c, x, r.Average, at+unit*0.32, math.Min(text*0.95, unit*0.6)).bold = true
		besideBar(c, x, r.Low1, at+unit*0.73, math.Min(text*0.9, unit*0.42))
		y += step[i]
	}
	return bottom + 1.4*size
}

// column writes lines below each other, the first with its baseline at y.
func (c *Canvas) column(x, y, size float64, anchor string, lines []string) {
	for i, l := range lines {
		c.write(x, y+1.15*size*float64(i), size, anchor, inkText, l)
	}
}

// axis places values from 0 to most between two ends; what is beyond lies at the end.
type axis struct{ left, right, most float64 }

func (a axis) at(v float64) float64 {
	return a.left + (a.right-a.left)*math.Min(v, a.most)/a.most
}

// AxisEnd is what an axis of rates must hold: all figures, and their intervals as far as
// these are no wider than half the longest bar. The interval of two passes that disagree
// may be many times the figure, and all bars would be too short to compare.
func AxisEnd(rows []BarRow) float64 {
	figure, interval := 0.0, 0.0
	for _, r := range rows {
		for _, f := range []analysis.Figure{r.Average, r.Low1} {
			figure, interval = math.Max(figure, finite(f.Value())), math.Max(interval, finite(float64(f.CIHigh)))
		}
	}
	return math.Max(figure, math.Min(interval, 1.5*figure))
}

// besideBar writes a figure behind its bar and interval.
func besideBar(c *Canvas, x func(float64) float64, f analysis.Figure, middle, size float64) *shape {
	end := math.Max(finite(f.Value()), finite(float64(f.CIHigh)))
	return c.write(x(end)+c.font*0.4, middle+size*0.35, size, "start", inkText, Shown(f))
}

func bar(c *Canvas, x func(float64) float64, f analysis.Figure, y, h float64, fill ink) {
	v := finite(f.Value())
	c.rect(x(0), y, x(v)-x(0), h, fill)
	if f.CILow.Known() && f.CIHigh.Known() {
		a, b := x(math.Max(0, float64(f.CILow))), x(float64(f.CIHigh))
		c.interval(a, b, y+h/2, h, x(1.001*float64(f.CIHigh)) <= b) // on: beyond the axis
	}
}

// interval draws a line from a to b with ends, or with an arrow where it goes on. An edge
// in the colour of the paper keeps it apart from the bar that it lies on.
func (c *Canvas) interval(a, b, middle, high float64, on bool) {
	w, half := math.Max(1, high*0.08), high*0.25
	p := []point{{a, middle - half}, {a, middle + half}, {a, middle}, {b, middle}}
	if on {
		p = append(p, point{b - high*0.2, middle - high*0.2}, point{b, middle}, point{b - high*0.2, middle + high*0.2})
	} else {
		p = append(p, point{b, middle - half}, point{b, middle + half})
	}
	c.path(w+0.13*c.font, inkPaper, p...)
	c.path(w, inkMark, p...)
}

func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func Shown(f analysis.Figure) string {
	if !analysis.Number(f.Value()).Known() {
		return "none"
	}
	s := fmt.Sprintf("%.1f", f.Value())
	if f.Shown == "median" {
		s += "*"
	}
	return s
}

// Line is one series of a line chart over named places.
type Line struct {
	Name string
	// Place chooses colour and sign: that of a part is the same in every chart.
	Place  int
	Points []analysis.Figure // by place; N 0 where there is none
}

// Scaling shows how the rate grows over the cards, one line per processor.
func Scaling(name, title, confidence string, places []string, lines []Line) Chart {
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
	return Chart{Name: name, Title: title, short: "Scaling", desc: "Average in frames per second. " + desc,
		note: "Average in frames per second (FPS) over the graphics cards; one line per processor. Upright lines: uncertainty (" + confidence + "). Where lines meet, the card is the limit.",
		draw: func(c *Canvas, top float64) float64 { return drawLines(c, top, "FPS", places, lines) }}
}

// plotHeight is that of a chart with two axes in the page, in text sizes.
const plotHeight = 20

func drawLines(c *Canvas, top float64, unit string, places []string, lines []Line) float64 {
	pad, size := c.font, c.font
	top += 0.5 * size // the unit
	high, key := 0.0, 0.0
	for _, l := range lines {
		key = math.Max(key, textWidth(l.Name, size, false))
		for _, p := range l.Points {
			high = math.Max(high, math.Max(finite(p.Value()), finite(float64(p.CIHigh))))
		}
	}
	beside := key <= 0.34*c.w // else the names stand below
	left, right := pad+textWidth("0000", size, false)+size*0.5, c.w-pad
	if beside {
		right -= key + size*1.6
	}
	below := 0.0
	if !beside {
		for _, l := range lines {
			below += 1.2 * size * float64(len(wrap(l.Name, size, c.w-2*pad-size*1.1, false)))
		}
	}
	span := (right - left) / float64(max(1, len(places)))
	heads := setHeads(places, span, size*0.9)
	scale := ticks(high, 6)
	bottom := c.lower(top, plotHeight*size+heads.deep+below) - heads.deep - below - size*0.6
	y := func(v float64) float64 { return bottom - (bottom-top-size)*v/scale[len(scale)-1] }
	x := func(i int) float64 { return left + span*(float64(i)+0.5) }
	for _, t := range scale {
		c.line(left, y(t), right, y(t), 1, inkGrid)
		c.write(left-size*0.5, y(t)+size*0.35, size*0.9, "end", inkMuted, fmt.Sprintf("%g", t))
	}
	c.unit(left, top, unit)
	for i := range places {
		heads.below(c, i, x(i), bottom+size*0.4, inkText)
	}
	labels := keepApart(lines, y, size*1.2, top, bottom)
	legend := bottom + size*0.6 + heads.deep
	for k, l := range lines {
		last, ok := drawLine(c, l, x, y)
		switch {
		case beside && ok:
			c.line(last.x, last.y, right, labels[k]-size*0.3, 1, inkGrid)
			mark(c, l.Place, point{right + size*0.5, labels[k] - size*0.33}, size*0.34)
			c.write(right+size*1.1, labels[k], size, "start", inkText, l.Name)
		case ok:
			mark(c, l.Place, point{pad + size*0.4, legend + size*0.67}, size*0.34)
			for _, part := range wrap(l.Name, size, c.w-2*pad-size*1.1, false) {
				legend += 1.2 * size
				c.write(pad+size*1.1, legend-0.2*size, size, "start", inkText, part)
			}
		}
	}
	return bottom + size*0.6 + heads.deep + below
}

// unit names the unit of an upright axis above its highest value.
func (c *Canvas) unit(left, top float64, unit string) {
	c.write(left-c.font*0.5, top+c.font*0.2, c.font*0.9, "end", inkMuted, unit)
}

// drawLine draws one series and returns its last point, if it has any.
func drawLine(c *Canvas, l Line, x func(int) float64, y func(float64) float64) (point, bool) {
	size, k := c.font, l.Place
	var run []point
	for i, p := range l.Points {
		if p.N == 0 {
			continue
		}
		at := point{x(i), y(p.Value())}
		run = append(run, at)
		mark(c, k, at, size*0.34)
		if p.CILow.Known() {
			c.line(at.x, y(float64(p.CILow)), at.x, y(float64(p.CIHigh)), math.Max(1, size*0.09), series(k))
		}
	}
	if len(run) == 0 {
		return point{}, false
	}
	c.path(math.Max(1.5, size*0.16), series(k), run...).dash = k >= len(palette)
	return run[len(run)-1], true
}

// mark draws the sign of a series, so that it is told by form as well as by colour.
func mark(c *Canvas, k int, at point, r float64) {
	x, y := at.x, at.y
	var p []point
	switch k % 4 {
	case 0:
		for i := 0; i < 12; i++ {
			a := float64(i) * math.Pi / 6
			p = append(p, point{x + r*math.Cos(a), y + r*math.Sin(a)})
		}
	case 1:
		p = []point{{x - r, y - r}, {x + r, y - r}, {x + r, y + r}, {x - r, y + r}}
	case 2:
		p = []point{{x, y - 1.2*r}, {x + 1.1*r, y + r}, {x - 1.1*r, y + r}}
	default:
		p = []point{{x, y - 1.3*r}, {x + 1.3*r, y}, {x, y + 1.3*r}, {x - 1.3*r, y}}
	}
	c.shapes = append(c.shapes, shape{fill: series(k), points: p, closed: true})
}

// keepApart places the names of lines beside their ends without touching each other.
func keepApart(lines []Line, y func(float64) float64, gap, top, bottom float64) []float64 {
	at := make([]float64, len(lines))
	order := make([]int, 0, len(lines))
	for k, l := range lines {
		at[k] = bottom
		for _, p := range l.Points {
			if p.N > 0 {
				at[k] = y(p.Value()) + gap*0.3
			}
		}
		order = append(order, k)
	}
	sort.SliceStable(order, func(i, j int) bool { a, b := order[i], order[j]; return at[a] < at[b] })
	for i := 1; i < len(order); i++ {
		at[order[i]] = math.Max(at[order[i]], at[order[i-1]]+gap)
	}
	if n := len(order); n > 0 && at[order[n-1]] > bottom {
		at[order[n-1]] = bottom
		for i := n - 2; i >= 0; i-- {
			at[order[i]] = math.Min(at[order[i]], at[order[i+1]]-gap)
		}
	}
	return at
}

// Trace shows the frame times of one pass in their order; more says which pass.
func Trace(name, title, more string, ms []float64) Chart {
	return Chart{Name: name, Title: title, desc: traceText(ms),
		note: more +
			"Frame time in ms over the seconds of the pass; each column spans the shortest to the longest frame in it.",
		draw: func(c *Canvas, top float64) float64 { return drawTrace(c, top, ms) }}
}

func traceText(ms []float64) string {
	high, sum := 0.0, 0.0
	for _, v := range ms {
		high, sum = math.Max(high, v), sum+v
	}
	return fmt.Sprintf("%s in %.1f s, mean %.2f ms, longest %.2f ms", record.Count(len(ms), "frame"), sum/1000,
		sum/float64(max(1, len(ms))), high)
}

func drawTrace(c *Canvas, top float64, ms []float64) float64 {
	high, total := 0.0, 0.0
	for _, v := range ms {
		high, total = math.Max(high, v), total+v
	}
	x, y, left, right, end := c.frame(top, high, total/1000, "ms", "s")
	columns := int(right - left)
	low, up := make([]float64, columns+1), make([]float64, columns+1)
	at := 0.0
	for _, v := range ms {
		k := min(columns, int((x(at/1000) - left))) // the frame's beginning
		if up[k] == 0 || v < low[k] {
			low[k] = v
		}
		up[k] = math.Max(up[k], v)
		at += v
	}
	var last point
	for k := range up {
		if up[k] == 0 {
			continue
		}
		p := point{left + float64(k), y(up[k])}
		if last.x > 0 {
			c.line(last.x, last.y, p.x, p.y, math.Max(1, c.font*0.08), series(0))
		}
		c.line(p.x, y(low[k]), p.x, p.y, math.Max(1, c.font*0.08), series(0))
		last = p
	}
	return end
}

// frame draws the axes of a chart of frame times over something.
func (c *Canvas) frame(top, highY, highX float64, unitY, unitX string) (x, y func(float64) float64, left, right,
	end float64) {
	size := c.font
	top += 0.5 * size // the unit
	sy, sx := ticks(highY, 5), ticks(highX, 6)
	left, right = size+textWidth("0000", size, false)+size*0.5, c.w-2*size
	end = c.lower(top, plotHeight*size)
	bottom := end - 1.4*size
	maxX := math.Max(highX, 1e-9)
	y = func(v float64) float64 { return bottom - (bottom-top-size)*v/sy[len(sy)-1] }
	x = func(v float64) float64 { return left + (right-left)*v/maxX }
	for _, t := range sy {
		c.line(left, y(t), right, y(t), 1, inkGrid)
		c.write(left-size*0.5, y(t)+size*0.35, size*0.9, "end", inkMuted, fmt.Sprintf("%g", t))
	}
	for _, t := range sx {
		if t <= maxX*1.0001 {
			c.write(x(t), bottom+size*1.3, size*0.9, "middle", inkMuted, fmt.Sprintf("%g", t))
		}
	}
	c.unit(left, top, unitY)
	c.write(right, bottom+size*2.2, size*0.9, "end", inkMuted, unitX)
	return x, y, left, right, bottom + size*2.2
}

// Distribution shows how many frames took how long; more says of which pass.
func Distribution(name, title, more string, ms []float64) Chart {
	return Chart{Name: name, Title: title, desc: traceText(ms),
		note: more +
			"Share of the frames in per cent by frame time in ms; what is longer than the axis is in the last column.",
		draw: func(c *Canvas, top float64) float64 { return drawSpread(c, top, ms) }}
}

func drawSpread(c *Canvas, top float64, ms []float64) float64 {
	const bins = 50
	most := 3 * float64(analysis.Median(ms))
	if !(most > 0) {
		most = 1
	}
	count := make([]float64, bins)
	for _, v := range ms {
		count[max(0, min(bins-1, int(v/most*bins)))] += 100 / float64(len(ms))
	}
	high := 0.0
	for _, n := range count {
		high = math.Max(high, n)
	}
	x, y, _, _, end := c.frame(top, high, most, "%", "ms")
	for i, n := range count {
		if n > 0 {
			a, b := x(most*float64(i)/bins), x(most*float64(i+1)/bins)
			c.rect(a+0.5, y(n), b-a-1, y(0)-y(n), series(0))
		}
	}
	return end
}
