package report

import (
	"fmt"
	"math"
	"strings"

	"capd.example/analysis"
	"capd.example/record"
)

// chart is a drawing that can be made in any size: narrow in the page, wide for a video.
type chart struct {
	name  string // of its files
	title string
	note  string                       // below the title: what is shown, definitions
	desc  string                       // for who cannot see it
	rows  int                          // lines it needs, for the height in the page
	least int                          // and at least
	draw  func(c *canvas, top float64) // draws below top
}

// render draws the chart in a size with an ordinary text size.
func (ch chart) render(w, h, size float64) *canvas {
	c := &canvas{w: w, h: h, font: size, title: ch.title, desc: ch.desc}
	pad := size
	y := pad - size*0.5
	for _, line := range firstTwo(wrap(ch.title, size*1.4, w-2*pad)) {
		y += size * 1.6
		c.write(pad, y, size*1.3, "start", inkText, fit(line, size*1.4, w-2*pad)).bold = true
	}
	for _, line := range wrap(ch.note, size*0.9, w-2*pad) {
		y += size * 1.3
		c.write(pad, y, size*0.9, "start", inkMuted, line)
	}
	ch.draw(c, y+size*0.9)
	return c
}

// inPage draws the chart for a column of the page, as high as its rows need.
func (ch chart) inPage() *canvas { return ch.column(560, 14, 2.1) }

// onPhone draws it for a narrow screen.
func (ch chart) onPhone() *canvas { return ch.column(narrow, 13, 3.3) }

func (ch chart) column(w, size, row float64) *canvas {
	lines := float64(len(wrap(ch.note, size*0.9, w-2*size)))
	lines += 1.2 * float64(min(2, len(wrap(ch.title, size*1.4, w-2*size)))-1)
	return ch.render(w, size*(3.2+1.3*lines)+float64(max(ch.least, ch.rows))*size*row+3*size, size)
}

// narrow is the width below which names stand above their bars.
const narrow = 350

// wrap breaks a text into lines of a width.
func wrap(text string, size, width float64) []string {
	var out []string
	line := ""
	for _, word := range splitWords(text) {
		next := word
		if line != "" {
			next = line + " " + word
		}
		if line != "" && textWidth(next, size, false) > width {
			out = append(out, line)
			next = word
		}
		line = next
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

func splitWords(s string) []string {
	var out []string
	word := ""
	// A number and its per cent stay together.
	for _, r := range strings.ReplaceAll(clean(s), " %", "\u00a0%") {
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

// barRow is one cell of a bar chart.
type barRow struct {
	label    string
	avg, low analysis.Figure
}

// barChart shows average and 1% low with their intervals, of a confidence; a longer bar is
// better.
func barChart(name, title, confidence string, rows []barRow) chart {
	return chart{name: name, title: title, rows: len(rows) + 1, least: 9,
		note: "Average (wide bar) and 1% low (narrow bar) in frames per second; thin lines are " + confidence + " intervals, an arrow one that goes on. * median, passes do not agree.",
		desc: barText(rows),
		draw: func(c *canvas, top float64) { drawBars(c, top, rows) }}
}

func barText(rows []barRow) string {
	s := ""
	for i, r := range rows {
		if i == 12 {
			return s + fmt.Sprintf("and %d more in the table", len(rows)-i)
		}
		s += fmt.Sprintf("%s: average %s, 1%% low %s; ", r.label, shown(r.avg), shown(r.low))
	}
	return s
}

func drawBars(c *canvas, top float64, rows []barRow) {
	pad, size := c.font, c.font
	bottom := c.h - 2.2*size
	high := axisEnd(rows)
	label := 0.0
	for _, r := range rows {
		label = math.Max(label, textWidth(r.label, size, false))
	}
	above := c.w <= narrow
	left := pad + math.Min(label, 0.42*c.w) + size*0.6
	if above {
		left = pad
	}
	right := c.w - pad - textWidth("000.0*", size, true)
	scale := ticks(high, 6)
	x := axis{left, right, scale[len(scale)-1]}.at
	for _, t := range scale {
		c.line(x(t), top, x(t), bottom, 1, inkGrid)
		c.write(x(t), bottom+1.3*size, size*0.9, "middle", inkMuted, fmt.Sprintf("%g", t))
	}
	step := (bottom - top) / float64(max(1, len(rows)))
	size = math.Min(size, step*0.75)
	for i, r := range rows {
		y, step := top+step*float64(i), step
		if above {
			c.write(left, y+size, size, "start", inkText, fit(r.label, size, c.w-2*pad))
			y, step = y+size*1.1, step-size*1.1
		} else {
			c.write(left-c.font*0.5, y+step/2+size*0.35, size, "end", inkText, fit(r.label, size, left-pad-c.font*0.5))
		}
		bar(c, x, r.avg, y+step*0.10, step*0.44, series(0))
		bar(c, x, r.low, y+step*0.60, step*0.26, series(1))
		besideBar(c, x, r.avg, y+step*0.32, math.Min(size*0.95, step*0.6)).bold = true
		besideBar(c, x, r.low, y+step*0.73, math.Min(size*0.8, step*0.42))
	}
}

// axis places values from 0 to most between two ends; what is beyond lies at the end.
type axis struct{ left, right, most float64 }

func (a axis) at(v float64) float64 {
	return a.left + (a.right-a.left)*math.Min(v, a.most)/a.most
}

// axisEnd is what an axis of rates must hold: all figures, and their intervals as far as
// these are no wider than half the longest bar. The interval of two passes that disagree
// may be many times the figure, and all bars would be too short to compare.
func axisEnd(rows []barRow) float64 {
	figure, interval := 0.0, 0.0
	for _, r := range rows {
		for _, f := range []analysis.Figure{r.avg, r.low} {
			figure, interval = math.Max(figure, finite(f.Value())), math.Max(interval, finite(float64(f.CIHigh)))
		}
	}
	return math.Max(figure, math.Min(interval, 1.5*figure))
}

// besideBar writes a figure behind its bar and interval.
func besideBar(c *canvas, x func(float64) float64, f analysis.Figure, middle, size float64) *shape {
	end := math.Max(finite(f.Value()), finite(float64(f.CIHigh)))
	return c.write(x(end)+c.font*0.4, middle+size*0.35, size, "start", inkText, shown(f))
}

func bar(c *canvas, x func(float64) float64, f analysis.Figure, y, h float64, fill ink) {
	v := finite(f.Value())
	c.rect(x(0), y, x(v)-x(0), h, fill)
	if f.CILow.Known() && f.CIHigh.Known() {
		a, b := x(math.Max(0, float64(f.CILow))), x(float64(f.CIHigh))
		w := math.Max(1, h*0.08)
		c.line(a, y+h/2, b, y+h/2, w, inkMark)
		c.line(a, y+h*0.25, a, y+h*0.75, w, inkMark)
		if x(1.001*float64(f.CIHigh)) > b {
			c.line(b, y+h*0.25, b, y+h*0.75, w, inkMark)
		} else { // an arrow: it goes on beyond the axis
			c.line(b-h*0.2, y+h*0.3, b, y+h/2, w, inkMark)
			c.line(b-h*0.2, y+h*0.7, b, y+h/2, w, inkMark)
		}
	}
}

func finite(x float64) float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return 0
	}
	return x
}

func shown(f analysis.Figure) string {
	if !analysis.Number(f.Value()).Known() {
		return "none"
	}
	s := fmt.Sprintf("%.1f", f.Value())
	if f.Shown == "median" {
		s += "*"
	}
	return s
}

// line is one series of a line chart over named places.
type line struct {
	name   string
	points []analysis.Figure // by place; N 0 where there is none
}

// scaleChart shows how the rate grows over the cards, one line per processor.
func scaleChart(name, title string, places []string, lines []line) chart {
	desc := ""
	for _, l := range lines {
		desc += l.name + ":"
		for i, p := range l.points {
			if p.N > 0 {
				desc += fmt.Sprintf(" %s %s,", places[i], shown(p))
			}
		}
		desc += " "
	}
	return chart{name: name, title: title, rows: 11, least: 11, desc: desc,
		note: "Average frames per second over the graphics cards, one line per processor; where lines meet, the card is the limit.",
		draw: func(c *canvas, top float64) { drawLines(c, top, places, lines) }}
}

func drawLines(c *canvas, top float64, places []string, lines []line) {
	pad, size := c.font, c.font
	high, key := 0.0, 0.0
	for _, l := range lines {
		key = math.Max(key, textWidth(l.name, size, false))
		for _, p := range l.points {
			high = math.Max(high, math.Max(finite(p.Value()), finite(float64(p.CIHigh))))
		}
	}
	scale := ticks(high, 6)
	left, bottom := pad+textWidth("0000", size, false)+size*0.5, c.h-3.2*size
	right := c.w - pad - math.Min(key, 0.3*c.w) - size*1.6
	y := func(v float64) float64 { return bottom - (bottom-top-size)*v/scale[len(scale)-1] }
	x := func(i int) float64 { return left + (right-left)*(float64(i)+0.5)/float64(len(places)) }
	for _, t := range scale {
		c.line(left, y(t), right, y(t), 1, inkGrid)
		c.write(left-size*0.5, y(t)+size*0.35, size*0.9, "end", inkMuted, fmt.Sprintf("%g", t))
	}
	for i, p := range places {
		for n, part := range firstTwo(wrap(p, size*0.9, (right-left)/float64(len(places))-size*0.2)) {
			c.write(x(i), bottom+size*(1.3+1.1*float64(n)), size*0.9, "middle", inkText, fit(part, size*0.9, (right-left)/float64(len(places))))
		}
	}
	labels := keepApart(lines, y, size*1.2, top, bottom)
	for k, l := range lines {
		var run []point
		last := -1
		for i, p := range l.points {
			if p.N == 0 {
				continue
			}
			at := point{x(i), y(p.Value())}
			run = append(run, at)
			last = i
			mark(c, k, at, size*0.34)
			if p.CILow.Known() {
				c.line(at.x, y(float64(p.CILow)), at.x, y(float64(p.CIHigh)), math.Max(1, size*0.09), series(k))
			}
		}
		if s := c.path(math.Max(1.5, size*0.16), series(k), run...); len(run) > 0 {
			s.dash = k >= len(palette)
			c.line(x(last), run[len(run)-1].y, right, labels[k]-size*0.3, 1, inkGrid)
			mark(c, k, point{right + size*0.5, labels[k] - size*0.33}, size*0.34)
			c.write(right+size*1.1, labels[k], size, "start", inkText, fit(l.name, size, c.w-right-size*1.6))
		}
	}
}

// mark draws the sign of a series, so that it is told by form as well as by colour.
func mark(c *canvas, k int, at point, r float64) {
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
func keepApart(lines []line, y func(float64) float64, gap, top, bottom float64) []float64 {
	at := make([]float64, len(lines))
	order := make([]int, 0, len(lines))
	for k, l := range lines {
		at[k] = bottom
		for _, p := range l.points {
			if p.N > 0 {
				at[k] = y(p.Value()) + gap*0.3
			}
		}
		order = append(order, k)
	}
	sortBy(order, func(a, b int) bool { return at[a] < at[b] })
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

// heatCell is one field of a map.
type heatCell struct {
	text  string
	value float64 // -1..1 of the colour scale; NaN for no colour
}

// heatChart shows a table of colours with their numbers.
func heatChart(name, title, note string, rows, columns []string, cells [][]heatCell) chart {
	desc := ""
	for i, r := range rows {
		for j, k := range columns {
			if cells[i][j].text != "" && len(desc) < 2000 {
				desc += fmt.Sprintf("%s, %s: %s; ", r, k, cells[i][j].text)
			}
		}
	}
	return chart{name: name, title: title, note: note, desc: desc, rows: len(rows) + 3,
		draw: func(c *canvas, top float64) { drawHeat(c, top, rows, columns, cells) }}
}

func drawHeat(c *canvas, top float64, rows, columns []string, cells [][]heatCell) {
	pad, size := c.font, c.font
	label := 0.0
	for _, r := range rows {
		label = math.Max(label, textWidth(r, size, false))
	}
	left := pad + math.Min(label, 0.35*c.w) + size*0.6
	w := (c.w - pad - left) / float64(max(1, len(columns)))
	head := top + size*2.4
	h := math.Min((c.h-pad-head)/float64(max(1, len(rows))), size*3)
	small := math.Min(size*0.9, w/3.2)
	for j, k := range columns {
		for n, part := range firstTwo(wrap(k, small, w-size*0.2)) {
			c.write(left+w*(float64(j)+0.5), top+size*(0.7+1.1*float64(n)), small, "middle", inkMuted, fit(part, small, w))
		}
	}
	for i, r := range rows {
		y := head + h*float64(i)
		c.write(left-size*0.5, y+h/2+size*0.35, math.Min(size, h*0.8), "end", inkText, fit(r, math.Min(size, h*0.8), left-pad-size*0.5))
		for j := range columns {
			f := cells[i][j]
			if f.text == "" {
				continue
			}
			fill, on := heatColour(f.value)
			c.rect(left+w*float64(j)+1, y+1, w-2, h-2, fill)
			text := math.Min(math.Min(size*0.95, h*0.7), w/(0.62*float64(max(4, len([]rune(f.text))))))
			c.write(left+w*(float64(j)+0.5), y+h/2+text*0.35, text, "middle", on, f.text)
		}
	}
}

func firstTwo(lines []string) []string {
	if len(lines) > 2 {
		return []string{lines[0], lines[1] + "…"}
	}
	return lines
}

// heatColour goes from vermilion over white to blue (Okabe and Ito), and gives the ink of a
// text on it. No colour is a neutral grey.
func heatColour(v float64) (fill, on ink) {
	if math.IsNaN(v) {
		return "#e3e6e8", "#1a1c1e"
	}
	v = math.Max(-1, math.Min(1, v))
	to := [3]float64{0x00, 0x72, 0xb2}
	if v < 0 {
		to = [3]float64{0xd5, 0x5e, 0x00}
	}
	a := math.Abs(v)
	var k [3]int
	for i := range k {
		k[i] = int(math.Round(255 + (to[i]-255)*a))
	}
	on = "#1a1c1e"
	if a > 0.8 && v > 0 {
		on = "#ffffff"
	}
	return ink(fmt.Sprintf("#%02x%02x%02x", k[0], k[1], k[2])), on
}

// traceChart shows the frame times of one pass in their order.
func traceChart(name, title string, ms []float64) chart {
	return chart{name: name, title: title, rows: 11, least: 11, desc: traceText(ms),
		note: "Frame time in ms over the seconds of the pass; each column spans the shortest to the longest frame in it.",
		draw: func(c *canvas, top float64) { drawTrace(c, top, ms) }}
}

func traceText(ms []float64) string {
	high, sum := 0.0, 0.0
	for _, v := range ms {
		high, sum = math.Max(high, v), sum+v
	}
	return fmt.Sprintf("%s in %.1f s, mean %.2f ms, longest %.2f ms", record.Count(len(ms), "frame"), sum/1000, sum/float64(max(1, len(ms))), high)
}

func drawTrace(c *canvas, top float64, ms []float64) {
	high, total := 0.0, 0.0
	for _, v := range ms {
		high, total = math.Max(high, v), total+v
	}
	x, y, left, right := c.frame(top, high, total/1000, "s")
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
}

// frame draws the axes of a chart of frame times over something.
func (c *canvas) frame(top, highY, highX float64, unit string) (x, y func(float64) float64, left, right float64) {
	size := c.font
	sy, sx := ticks(highY, 5), ticks(highX, 6)
	left, right = size+textWidth("0000", size, false)+size*0.5, c.w-2*size
	bottom := c.h - 2.4*size
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
	c.write(right, bottom+size*2.2, size*0.9, "end", inkMuted, unit)
	return x, y, left, right
}

// spreadChart shows how many frames took how long.
func spreadChart(name, title string, ms []float64) chart {
	return chart{name: name, title: title, rows: 11, least: 11, desc: traceText(ms),
		note: "Share of the frames in per cent by frame time in ms; what is longer than the axis is in the last column.",
		draw: func(c *canvas, top float64) { drawSpread(c, top, ms) }}
}

func drawSpread(c *canvas, top float64, ms []float64) {
	const bins = 50
	end := 3 * float64(analysis.Median(ms))
	if !(end > 0) {
		end = 1
	}
	count := make([]float64, bins)
	for _, v := range ms {
		count[max(0, min(bins-1, int(v/end*bins)))] += 100 / float64(len(ms))
	}
	high := 0.0
	for _, n := range count {
		high = math.Max(high, n)
	}
	x, y, _, _ := c.frame(top, high, end, "ms")
	for i, n := range count {
		if n > 0 {
			a, b := x(end*float64(i)/bins), x(end*float64(i+1)/bins)
			c.rect(a+0.5, y(n), b-a-1, y(0)-y(n), series(0))
		}
	}
}
