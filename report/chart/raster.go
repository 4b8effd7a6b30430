package chart

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// png draws the canvas at a scale: a canvas of 1920 x 1080 at scale 2 gives 3840 x 2160.
func (c *Canvas) PNG(scale float64, dark bool) ([]byte, error) {
	w, h := int(math.Round(c.w*scale)), int(math.Round(c.h*scale))
	img := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(img, img.Bounds(), image.NewUniform(rgb(c.colour(inkPaper, dark))), image.Point{}, draw.Src)
	r := vector.NewRasterizer(1, 1)
	c.drawLogo(img, scale)
	for _, s := range c.shapes {
		if s.text != "" {
			c.drawText(img, s, scale, s.paint(c.colour(s.fill, dark)))
			continue
		}
		if s.fill != "" {
			fillPolygon(img, r, s.points, scale, s.paint(c.colour(s.fill, dark)))
		}
		if s.stroke != "" {
			s.drawStroke(img, r, scale, s.paint(c.colour(s.stroke, dark)))
		}
	}
	var b bytes.Buffer
	enc := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := enc.Encode(&b, c.reduce(img, dark)); err != nil {
		return nil, fmt.Errorf("encode picture: %w", err)
	}
	return b.Bytes(), nil
}

// reduce turns a drawing into one of at most 256 colours, which is a third of the work to
// write: the inks stay as they are, the shades of soft edges are rounded to sixteenths. A
// drawing of more colours stays as it is.
func (c *Canvas) reduce(img *image.RGBA, dark bool) image.Image {
	index := map[uint32]uint8{}
	var list color.Palette
	add := func(r, g, b uint8) (uint8, bool) {
		key := uint32(r)<<16 | uint32(g)<<8 | uint32(b)
		i, ok := index[key]
		if !ok {
			if len(list) == 256 {
				return 0, false
			}
			i = uint8(len(list))
			index[key] = i
			list = append(list, color.RGBA{r, g, b, 255})
		}
		return i, true
	}
	paper := rgb(c.colour(inkPaper, dark))
	add(paper.R, paper.G, paper.B)
	for _, s := range c.shapes {
		for _, i := range []ink{s.fill, s.stroke} {
			if k := rgb(c.colour(i, dark)); i != "" {
				add(k.R, k.G, k.B)
			}
		}
	}
	out := image.NewPaletted(img.Bounds(), nil)
	last, at := uint32(1), uint8(0)
	for n := range out.Pix {
		p := img.Pix[4*n : 4*n+3 : 4*n+3]
		key := uint32(p[0])<<16 | uint32(p[1])<<8 | uint32(p[2])
		if key != last {
			i, ok := index[key]
			if !ok {
				if i, ok = add(sixteenth(p[0]), sixteenth(p[1]), sixteenth(p[2])); !ok {
					return img
				}
			}
			last, at = key, i
		}
		out.Pix[n] = at
	}
	out.Palette = list
	return out
}

func sixteenth(v uint8) uint8 { return v>>4 | v&0xf0 }

func (s shape) paint(hex string) color.NRGBA {
	c := rgb(hex)
	if s.opacity > 0 {
		c.A = uint8(math.Round(255 * s.opacity))
	}
	return c
}

func rgb(hex string) color.NRGBA {
	var r, g, b uint8
	fmt.Sscanf(hex, "#%02x%02x%02x", &r, &g, &b)
	return color.NRGBA{r, g, b, 255}
}

// fillPolygon rasterises within the polygon's own bounds, which are mostly small.
func fillPolygon(img *image.RGBA, r *vector.Rasterizer, p []point, scale float64, c color.NRGBA) {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, q := range p {
		x0, y0, x1, y1 = math.Min(x0, q.x*scale), math.Min(y0, q.y*scale), math.Max(x1, q.x*scale), math.Max(y1, q.y*scale)
	}
	box := image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1)), int(math.Ceil(y1))).
		Intersect(img.Bounds())
	if box.Empty() {
		return
	}
	r.Reset(box.Dx(), box.Dy())
	for i, q := range p {
		x, y := float32(q.x*scale-float64(box.Min.X)), float32(q.y*scale-float64(box.Min.Y))
		if i == 0 {
			r.MoveTo(x, y)
		} else {
			r.LineTo(x, y)
		}
	}
	r.ClosePath()
	r.Draw(img, box, image.NewUniform(c), image.Point{})
}

// drawStroke draws each segment as a thin quadrilateral.
func (s shape) drawStroke(img *image.RGBA, r *vector.Rasterizer, scale float64, c color.NRGBA) {
	for i := 1; i < len(s.points); i++ {
		if s.dash && i == 1 && len(s.points) == 2 {
			s.drawDashes(img, r, scale, c)
			return
		}
		segment(img, r, s.points[i-1], s.points[i], s.width, scale, c)
	}
}

func segment(img *image.RGBA, r *vector.Rasterizer, a, b point, width, scale float64, c color.NRGBA) {
	dx, dy := b.x-a.x, b.y-a.y
	l := math.Hypot(dx, dy)
	if l == 0 {
		return
	}
	nx, ny := -dy/l*width/2, dx/l*width/2
	fillPolygon(img, r, []point{{a.x + nx, a.y + ny}, {b.x + nx, b.y + ny}, {b.x - nx, b.y - ny}, {a.x - nx, a.y - ny}},
		scale, c)
}

func (s shape) drawDashes(img *image.RGBA, r *vector.Rasterizer, scale float64, c color.NRGBA) {
	a, b := s.points[0], s.points[1]
	l := math.Hypot(b.x-a.x, b.y-a.y)
	for at := 0.0; at < l; at += 11 {
		end := math.Min(l, at+6)
		segment(img, r, point{a.x + (b.x-a.x)*at/l, a.y + (b.y-a.y)*at/l},
			point{a.x + (b.x-a.x)*end/l, a.y + (b.y-a.y)*end/l}, s.width, scale, c)
	}
}

func (c *Canvas) drawText(img *image.RGBA, s shape, scale float64, fill color.NRGBA) {
	size := s.size
	f, w := c.theme.face(s.size*scale), 0.0
	if f == nil {
		w = drawnWidth(s.text, s.size, s.bold)
		faces.Lock()
		defer faces.Unlock()
		if f = face(size*scale, s.bold); f == nil {
			return
		}
	} else {
		defer f.Close()
		w = float64(font.MeasureString(f, s.text)) / float64(fixed.I(1)) / scale
	}
	before := 0.0 // how much of the text lies before its point
	switch s.anchor {
	case "middle":
		before = w / 2
	case "end":
		before = w
	}
	x, y := s.points[0].x*scale, s.points[0].y*scale
	ink := image.NewUniform(fill)
	if s.turned {
		turnedText(img, ink, f, s.text, x, y+before*scale)
		return
	}
	d := font.Drawer{Dst: img, Src: ink, Face: f,
		Dot: fixed.Point26_6{X: fixed.Int26_6((x - before*scale) * 64), Y: fixed.Int26_6(y * 64)}}
	d.DrawString(s.text)
}

// turnedText draws a text that runs upwards from a point on its baseline: it is drawn
// level, and what it covers is turned.
func turnedText(img *image.RGBA, ink image.Image, f font.Face, text string, x, y float64) {
	m := f.Metrics()
	up := m.Ascent.Ceil()
	level := image.NewAlpha(image.Rect(0, 0, font.MeasureString(f, text).Ceil()+1, up+m.Descent.Ceil()+1))
	d := font.Drawer{Dst: level, Src: image.Opaque, Face: f, Dot: fixed.P(0, up)}
	d.DrawString(text)
	w, h := level.Rect.Dx(), level.Rect.Dy()
	turned := image.NewAlpha(image.Rect(0, 0, h, w))
	for j := range h {
		for i := range w {
			turned.Pix[(w-1-i)*turned.Stride+j] = level.Pix[j*level.Stride+i]
		}
	}
	at := image.Pt(int(math.Round(x))-up, int(math.Round(y))-w)
	draw.DrawMask(img, turned.Rect.Add(at), ink, image.Point{}, turned, image.Point{}, draw.Over)
}
