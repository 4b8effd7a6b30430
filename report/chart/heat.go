package chart

import (
	"fmt"
	"math"
	"strings"
)

// HeatCell is one field of a map.
type HeatCell struct {
	Text  string
	Value float64 // -1..1 of the colour scale; NaN for no colour
}

// HeatMap is a table of colours with their numbers. Rows and columns are named by levels,
// the outermost first; what neighbours have in common is said once.
type HeatMap struct {
	Rows, Columns [][]string
	Fields        [][]HeatCell
}

// Heat shows a map.
func Heat(name, title, note string, key []Sign, m HeatMap) Chart {
	var desc strings.Builder
	for i, r := range m.Rows {
		for j, k := range m.Columns {
			if m.Fields[i][j].Text != "" && desc.Len() < 2000 {
				fmt.Fprintf(&desc, "%s, %s: %s; ", strings.Join(r, ", "), strings.Join(k, ", "), m.Fields[i][j].Text)
			}
		}
	}
	return Chart{Name: name, Title: title, note: note, key: key, desc: desc.String(),
		draw: func(c *Canvas, top float64) float64 { return m.draw(c, top) }}
}

// changed returns the outermost level in which name i differs from the one before it, or
// the number of levels.
func changed(names [][]string, i int) int {
	if i == 0 {
		return 0
	}
	for k, v := range names[i] {
		if v != names[i-1][k] {
			return k
		}
	}
	return len(names[i])
}

// rowNames is how the names of a map's rows stand: the inner levels beside the fields, each
// in its column, the outer ones on a line of their own above the rows that share them.
type rowNames struct {
	outer int       // levels that stand above
	width []float64 // of each inner level
	left  float64   // where the fields begin
	lines int       // that stand above rows
}

func (m HeatMap) rowNames(c *Canvas) rowNames {
	size := c.font
	levels := len(m.Rows[0])
	n := rowNames{outer: levels, left: c.font}
	for k := levels - 1; k >= 0; k-- {
		wide := 0.0
		for _, r := range m.Rows {
			wide = math.Max(wide, textWidth(r[k], size, false))
		}
		if n.left+wide > 0.46*c.w {
			if k < levels-1 {
				break
			}
			wide = 0.42*c.w - n.left
		}
		n.outer, n.width = k, append([]float64{wide}, n.width...)
		n.left += wide + 0.8*size
	}
	for i := range m.Rows {
		if changed(m.Rows, i) < n.outer {
			n.lines++
		}
	}
	return n
}

// enlarge gives a small map in a video frame larger texts and fields, as far as they fit.
func (m HeatMap) enlarge(c *Canvas, top float64) {
	size := c.font
	for _, by := range []float64{1.8, 1.5, 1.25} {
		c.font = by * size
		names := m.rowNames(c)
		rows, columns := float64(len(m.Rows)), float64(len(m.Columns))
		if names.outer == 0 && names.left+6*columns*c.font < c.w-c.font && top+(6+rowHeight*rows)*c.font < c.h {
			return
		}
	}
	c.font = size
}

func (m HeatMap) draw(c *Canvas, top float64) float64 {
	if !c.free {
		m.enlarge(c, top)
	}
	names := m.rowNames(c)
	all := len(m.Columns)
	room := c.w - c.font - names.left
	per := all
	if c.free { // what is too wide for the page goes into panels below each other
		per = min(all, max(1, int(room/(m.widest(0.9*c.font)+0.5*c.font))))
		per = (all + (all+per-1)/per - 1) / ((all + per - 1) / per)
	}
	most := 9 * c.font
	if !c.free { // a few columns fill the picture, and long names stand above them upright
		most *= 3
	}
	field := math.Min(room/float64(per), most)
	for from := 0; from < all; from += per {
		if from > 0 {
			top += 1.4 * c.font
		}
		top = m.panel(c, names, top, field, from, min(all, from+per))
	}
	return top
}

// widest is the room that the fields' texts need.
func (m HeatMap) widest(size float64) float64 {
	w := 0.0
	for _, row := range m.Fields {
		for _, f := range row {
			w = math.Max(w, textWidth(f.Text, size, false))
		}
	}
	return w
}

// panel draws the columns from one to another and returns where it ends.
func (m HeatMap) panel(c *Canvas, names rowNames, top, field float64, from, to int) float64 {
	size := c.font
	y := m.headings(c, names.left, top, field, m.Columns[from:to]) + size*0.3
	high, text := rowHeight*size, size
	if !c.free {
		high = math.Min((c.h-size-y)/(float64(len(m.Rows))+0.9*float64(names.lines)), 3*size)
		text = math.Min(size, high*0.72)
	}
	for i := range m.Rows {
		at := changed(m.Rows, i)
		if at < names.outer {
			most := 1
			if c.free {
				most = 4
			}
			above := lines(strings.Join(m.Rows[i][:names.outer], ", "), text, c.w-2*c.font, most, true)
			for k, l := range above {
				c.write(c.font, y+high*0.5+text*(0.35+1.15*float64(k)), text, "start", inkText, l).bold = true
			}
			y += high*0.9 + 1.15*text*float64(len(above)-1)
		}
		step := m.name(c, names, i, at, y, high, text)
		for j, f := range m.Fields[i][from:to] {
			f.draw(c, names.left+field*float64(j), y, field, step, text)
		}
		y += step
	}
	return y
}

// name writes the inner levels of a row's name that differ from the row before and returns
// the height of the row.
func (m HeatMap) name(c *Canvas, names rowNames, row, changed int, y, high, text float64) float64 {
	most := 6
	if !c.free {
		most = max(1, int(high/(1.15*text)))
	}
	x, parts, step := c.font, make([][]string, len(names.width)), high
	for k, w := range names.width {
		if names.outer+k >= changed {
			parts[k] = lines(m.Rows[row][names.outer+k], text, w+0.1*text, most, false)
			if c.free {
				step = math.Max(step, 1.15*text*float64(len(parts[k]))+0.5*text)
			}
		}
	}
	for k, w := range names.width {
		c.column(x, y+step/2-1.15*text*float64(len(parts[k]))/2+0.9*text, text, "start", parts[k])
		x += w + 0.8*c.font
	}
	return step
}

func (f HeatCell) draw(c *Canvas, x, y, w, h, text float64) {
	if f.Text == "" {
		return
	}
	fill, on := heatColour(f.Value)
	c.rect(x+1, y+1, w-2, h-2, fill)
	size := math.Min(text*0.95, c.font*0.95)
	if need := textWidth(f.Text, size, false); need > w-4 {
		size *= (w - 4) / need
	}
	c.write(x+w/2, y+h/2+size*0.35, size, "middle", on, f.Text)
}

// headings writes the names of columns above their fields and returns where they end.
func (m HeatMap) headings(c *Canvas, left, top, field float64, columns [][]string) float64 {
	size := 0.9 * c.font
	for level := range columns[0] {
		var names []string
		var begin, span []float64
		for j, name := range columns {
			if changed(columns, j) > level {
				span[len(span)-1] += field
				continue
			}
			names, begin, span = append(names, name[level]), append(begin, left+field*float64(j)), append(span, field)
		}
		least := span[0]
		for _, w := range span {
			least = math.Min(least, w)
		}
		heads := setHeads(names, least-0.3*size, size)
		for i := range names {
			heads.above(c, i, begin[i]+span[i]/2, top+heads.deep, inkMuted)
			if level < len(columns[0])-1 {
				c.line(begin[i]+2, top+heads.deep+0.4*size, begin[i]+span[i]-2, top+heads.deep+0.4*size, 1, inkMuted)
			}
		}
		top += heads.deep + 0.6*size
	}
	return top
}

// heads are names that stand above or below columns of a width: on up to three lines where
// their words fit, else turned.
type heads struct {
	names  [][]string
	size   float64
	turned bool
	deep   float64 // height of all
}

func setHeads(names []string, width, size float64) heads {
	h := heads{size: size}
	for _, name := range names {
		l := wrap(name, size, width, false)
		h.names = append(h.names, l)
		h.deep = math.Max(h.deep, 1.15*size*float64(len(l)))
		h.turned = h.turned || len(l) > 3
		for _, word := range splitWords(name) {
			h.turned = h.turned || textWidth(word, size, false) > width
		}
	}
	if !h.turned {
		return h
	}
	h.deep = 0
	most := max(1, min(3, int(width/(1.2*size))))
	for i, name := range names {
		h.names[i] = lines(name, size, 16*size, most, false)
		for _, l := range h.names[i] {
			h.deep = math.Max(h.deep, textWidth(l, size, false))
		}
	}
	return h
}

// above writes name i so that it ends at bottom, about the middle x of its column.
func (h heads) above(c *Canvas, i int, x, bottom float64, fill ink) {
	n := float64(len(h.names[i]))
	for k, l := range h.names[i] {
		if h.turned {
			c.turn(x+h.size*(0.35+1.15*(float64(k)-(n-1)/2)), bottom, h.size, "start", fill, l)
			continue
		}
		c.write(x, bottom-1.15*h.size*(n-1-float64(k))-0.2*h.size, h.size, "middle", fill, l)
	}
}

// below writes name i from top on, about the middle x of its column.
func (h heads) below(c *Canvas, i int, x, top float64, fill ink) {
	n := float64(len(h.names[i]))
	for k, l := range h.names[i] {
		if h.turned {
			c.turn(x+h.size*(0.35+1.15*(float64(k)-(n-1)/2)), top, h.size, "end", fill, l)
			continue
		}
		c.write(x, top+h.size*(0.95+1.15*float64(k)), h.size, "middle", fill, l)
	}
}

// MapSign is the entry of a key for a field of a map with a value and a text.
func MapSign(v float64, text, words string) Sign { return Sign{tint(v, text), words} }

// tint draws the sign of a colour of a map, with the text that goes with it.
func tint(v float64, text string) func(*Canvas, float64, float64) {
	fill, on := heatColour(v)
	return func(c *Canvas, x, middle float64) {
		c.rect(x, middle-0.55*c.font, 1.8*c.font, 1.1*c.font, fill)
		c.write(x+0.9*c.font, middle+0.32*c.font, 0.9*c.font, "middle", on, text)
	}
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
