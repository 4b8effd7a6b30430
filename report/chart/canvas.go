package chart

import (
	"encoding/xml"
	"fmt"
	"sort"
	"strings"
	"sync"

	readable "capd.example/internal/text"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// Ink names a colour by its role, so that one drawing serves light, dark and print.
type ink string

const (
	inkText  ink = "text"
	inkMuted ink = "muted"
	inkGrid  ink = "grid"
	inkPaper ink = "paper"
	inkMark  ink = "mark" // of intervals

	inkHighlight ink = "highlight" // of what is singled out, in pictures made to order
)

// series returns the ink of the i-th series.
func series(i int) ink { return ink(fmt.Sprintf("s%d", i%len(palette))) }

// palette is that of Okabe and Ito, "Color Universal Design" (2008), as printed by Wong,
// "Points of view: Color blindness", Nature Methods 8, 441 (2011), without the yellow,
// which is faint on white; the second value of each is for dark backgrounds.
var palette = [][2]string{
	{"#0072b2", "#56b4e9"}, {"#d55e00", "#e69f00"}, {"#009e73", "#2fc99a"}, {"#cc79a7", "#e6a5c8"},
	{"#56b4e9", "#8fd0f5"}, {"#e69f00", "#f5c95c"},
}

// tones are the other inks in light and in dark.
var tones = map[ink][2]string{
	inkText: {"#1a1c1e", "#eceff1"}, inkMuted: {"#4c5459", "#b4bdc3"}, inkGrid: {"#cfd6da", "#454d53"},
	inkPaper: {"#ffffff", "#16191c"}, inkMark: {"#1a1c1e", "#ffffff"},
	inkHighlight: {"#d55e00", "#e69f00"},
}

// colour returns the value of an ink; an ink that begins with # is its own value.
func colour(i ink, dark bool) string {
	k := 0
	if dark {
		k = 1
	}
	if strings.HasPrefix(string(i), "#") {
		return string(i)
	}
	if t, ok := tones[i]; ok {
		return t[k]
	}
	var n int
	fmt.Sscanf(string(i), "s%d", &n)
	return palette[n%len(palette)][k]
}

type point struct{ x, y float64 }

// shape is one thing drawn: a filled polygon or rectangle, a line, or a text.
type shape struct {
	fill, stroke ink
	width        float64 // of the stroke
	points       []point
	closed       bool
	text         string
	size         float64
	bold         bool
	anchor       string  // "start", "middle", "end"
	opacity      float64 // 0 counts as 1
	dash         bool
	turned       bool // a text that runs upwards
}

// Canvas is a drawing of a given size.
type Canvas struct {
	w, h   float64
	font   float64 // size of ordinary text
	free   bool    // as high as what is drawn
	shapes []shape
	title  string
	desc   string
	theme  *Theme // nil: that of the page, light and dark by what the reader prefers
}

func (c *Canvas) rect(x, y, w, h float64, fill ink) *shape {
	c.shapes = append(c.shapes, shape{fill: fill, closed: true,
		points: []point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}})
	return &c.shapes[len(c.shapes)-1]
}

func (c *Canvas) line(x1, y1, x2, y2, width float64, stroke ink) *shape {
	return c.path(width, stroke, point{x1, y1}, point{x2, y2})
}

func (c *Canvas) path(width float64, stroke ink, p ...point) *shape {
	c.shapes = append(c.shapes, shape{stroke: stroke, width: width, points: p})
	return &c.shapes[len(c.shapes)-1]
}

func (c *Canvas) write(x, y, size float64, anchor string, fill ink, text string) *shape {
	c.shapes = append(c.shapes, shape{text: readable.Plain(text), size: size, anchor: anchor, fill: fill,
		points: []point{{x, y}}})
	return &c.shapes[len(c.shapes)-1]
}

// turn writes a text that runs upwards.
func (c *Canvas) turn(x, y, size float64, anchor string, fill ink, text string) {
	c.write(x, y, size, anchor, fill, text).turned = true
}

// fit shortens a text to a width, in its middle: names that look alike differ at their ends.
func fit(s string, size, width float64, bold bool) string {
	s = readable.Plain(s)
	if textWidth(s, size, bold) <= width {
		return s
	}
	r := []rune(s)
	short := func(n int) string { return string(r[:(n+1)/2]) + "…" + string(r[len(r)-n/2:]) }
	n := sort.Search(len(r), func(n int) bool { return textWidth(short(n), size, bold) > width })
	return short(max(0, n-1))
}

// faces of the fonts that texts are measured and, for PNG, drawn with (Go fonts, BSD).
var faces struct {
	sync.Mutex
	fonts [2]*opentype.Font
	made  map[[2]int]font.Face
}

// face returns a font of a size in pixels; it must be used under the lock of faces.
func face(size float64, bold bool) font.Face {
	k := [2]int{int(size*64 + 0.5), 0}
	if bold {
		k[1] = 1
	}
	if f, ok := faces.made[k]; ok {
		return f
	}
	if faces.made == nil {
		faces.made = map[[2]int]font.Face{}
		faces.fonts[0], _ = opentype.Parse(goregular.TTF)
		faces.fonts[1], _ = opentype.Parse(gobold.TTF)
	}
	f, err := opentype.NewFace(faces.fonts[k[1]], &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil
	}
	faces.made[k] = f
	return f
}

// textWidth is the room that a text needs. Page and SVG use the reader's own sans-serif
// font, which may be an eighth wider than the one that is measured, and a quarter where it is
// bold (DejaVu Sans, the widest of the usual ones).
func textWidth(s string, size float64, bold bool) float64 {
	if bold {
		return 1.25 * drawnWidth(s, size, bold)
	}
	return 1.125 * drawnWidth(s, size, bold)
}

// drawnWidth measures a text in the font of the pictures.
func drawnWidth(s string, size float64, bold bool) float64 {
	faces.Lock()
	defer faces.Unlock()
	f := face(100, bold)
	if f == nil {
		return 0.55 * size * float64(len(s))
	}
	return float64(font.MeasureString(f, s)) / float64(fixed.I(1)) * size / 100
}

// svg writes the drawing. id makes the title's identity unique in a page.
func (c *Canvas) SVG(id string, standalone bool) string {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-t %s-d"`,
		num(c.w), num(c.h), id, id)
	if standalone {
		fmt.Fprintf(&b, ` width="%s" height="%s"`, num(c.w), num(c.h))
	}
	fmt.Fprintf(&b, `><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`, id, escape(c.title), id, escape(c.desc))
	if standalone {
		style := CSS()
		if c.theme != nil {
			style = c.theme.css()
		}
		b.WriteString("<style>" + style + "</style>")
		fmt.Fprintf(&b, `<rect class="f-paper" width="%s" height="%s"/>`, num(c.w), num(c.h))
		b.WriteString(c.logoSVG())
	}
	for _, s := range c.shapes {
		s.svg(&b)
	}
	b.WriteString("</svg>")
	return b.String()
}

func (s shape) svg(b *strings.Builder) {
	attr := paint("f", "fill", s.fill) + paint("k", "stroke", s.stroke)
	if s.opacity > 0 {
		attr += fmt.Sprintf(` opacity="%s"`, num(s.opacity))
	}
	switch {
	case s.text != "":
		weight := ""
		if s.bold {
			weight = ` font-weight="bold"`
		}
		if s.turned {
			weight += fmt.Sprintf(` transform="rotate(-90 %s %s)"`, num(s.points[0].x), num(s.points[0].y))
		}
		fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s" text-anchor="%s"%s%s>%s</text>`, num(s.points[0].x),
			num(s.points[0].y), num(s.size), s.anchor, weight, attr, escape(s.text))
	case s.closed && s.upright():
		p := s.points
		fmt.Fprintf(b, `<rect x="%s" y="%s" width="%s" height="%s"%s/>`, num(p[0].x), num(p[0].y), num(p[2].x-p[0].x),
			num(p[2].y-p[0].y), attr)
	case s.closed:
		fmt.Fprintf(b, `<polygon points="%s"%s/>`, places(s.points), attr)
	default:
		if s.dash {
			attr += ` stroke-dasharray="6 5"`
		}
		fmt.Fprintf(b, `<polyline points="%s" fill="none" stroke-width="%s" stroke-linejoin="round"%s/>`, places(s.points),
			num(s.width), attr)
	}
}

// upright reports whether a polygon is a rectangle from its first to its third point.
func (s shape) upright() bool {
	p := s.points
	return len(p) == 4 && p[0].y == p[1].y && p[1].x == p[2].x && p[2].y == p[3].y && p[3].x == p[0].x
}

func places(p []point) string {
	at := make([]string, len(p))
	for i, q := range p {
		at[i] = num(q.x) + "," + num(q.y)
	}
	return strings.Join(at, " ")
}

// paint names an ink by a class, so that the page's colours reach it, or by its value.
func paint(class, attribute string, i ink) string {
	switch {
	case i == "":
		return ""
	case strings.HasPrefix(string(i), "#"):
		return fmt.Sprintf(` %s="%s"`, attribute, i)
	}
	return fmt.Sprintf(` class="%s-%s"`, class, i)
}

func num(x float64) string {
	s := fmt.Sprintf("%.2f", x)
	return strings.TrimRight(strings.TrimRight(s, "0"), ".")
}

func escape(s string) string {
	var b strings.Builder
	xml.EscapeText(&b, []byte(readable.Plain(s))) // a strings.Builder takes everything
	return b.String()
}

// CSS gives every ink its colour, in light, in dark and on paper.
func CSS() string {
	var light, dark strings.Builder
	for _, b := range []struct {
		to   *strings.Builder
		dark bool
	}{{&light, false}, {&dark, true}} {
		for _, i := range []ink{inkText, inkMuted, inkGrid, inkPaper, inkMark, inkHighlight} {
			fmt.Fprintf(b.to, ".f-%s{fill:%s}.k-%s{stroke:%s}", i, colour(i, b.dark), i, colour(i, b.dark))
		}
		for k := range palette {
			fmt.Fprintf(b.to, ".f-s%d{fill:%s}.k-s%d{stroke:%s}", k, colour(series(k), b.dark), k, colour(series(k), b.dark))
		}
	}
	return "svg{font-family:system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif}" + light.String() +
		"@media screen and (prefers-color-scheme:dark){" + dark.String() + "}"
}
