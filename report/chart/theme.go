package chart

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"image"
	_ "image/jpeg" // logos may be photographs
	_ "image/png"
	"math"
	"regexp"
	"strings"

	"golang.org/x/image/draw"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// Theme is how pictures look: colours by their roles, a font and a logo of the reviewer's. The
// zero value is the light theme.
type Theme struct {
	dark   bool
	own    map[ink]string
	series []string

	font  *opentype.Font
	data  []byte  // of the font file
	ratio float64 // of the sizes at which the own font is as wide as that which is measured

	logo      image.Image
	logoData  []byte
	logoMedia string
}

var hexColour = regexp.MustCompile(`^#[0-9a-fA-F]{6}$`)

// NewTheme returns the light or the dark theme with own colours, written #rrggbb, by their role,
// and those of series, none for the usual ones.
func NewTheme(dark bool, own map[string]string, series []string) (*Theme, error) {
	t := &Theme{dark: dark, own: map[ink]string{}, series: series}
	for role, c := range own {
		if !hexColour.MatchString(c) {
			return nil, fmt.Errorf("the colour %s = %q is not written #rrggbb", role, c)
		}
		t.own[ink(role)] = strings.ToLower(c)
	}
	for _, c := range series {
		if !hexColour.MatchString(c) {
			return nil, fmt.Errorf("the colour %q of a series is not written #rrggbb", c)
		}
	}
	for _, i := range []ink{inkText, inkMuted} {
		if r := Contrast(t.colour(i), t.colour(inkPaper)); r < leastContrast {
			return nil, fmt.Errorf("the colour of %s, %s, can hardly be read on %s: a contrast of %.1f, below %.1f", i, t.colour(i),
				t.colour(inkPaper), r, leastContrast)
		}
	}
	return t, nil
}

// leastContrast of text is that of WCAG 2.2, success criterion 1.4.3.
const leastContrast = 4.5

// Contrast is the ratio of two colours by WCAG 2.2 (relative luminance of sRGB), from 1 to 21.
func Contrast(a, b string) float64 {
	luminance := func(hex string) float64 {
		c := rgb(hex)
		linear := func(v uint8) float64 {
			x := float64(v) / 255
			if x <= 0.04045 {
				return x / 12.92
			}
			return math.Pow((x+0.055)/1.055, 2.4)
		}
		return 0.2126*linear(c.R) + 0.7152*linear(c.G) + 0.0722*linear(c.B)
	}
	x, y := luminance(a), luminance(b)
	return (math.Max(x, y) + 0.05) / (math.Min(x, y) + 0.05)
}

// UseFont takes a TrueType or OpenType font file for all texts.
func (t *Theme) UseFont(file []byte) error {
	f, err := opentype.Parse(file)
	if err != nil {
		return fmt.Errorf("the font is neither TrueType nor OpenType: %w", err)
	}
	const sample = "Average 1% low 0123456789 with cards and processors"
	own, err := opentype.NewFace(f, &opentype.FaceOptions{Size: 100, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return fmt.Errorf("the font: %w", err)
	}
	defer own.Close()
	wide := float64(font.MeasureString(own, sample)) / float64(fixed.I(1))
	if !(wide > 0) {
		return fmt.Errorf("the font has no letters")
	}
	// Room is measured with another font and an eighth more; a wider one is set smaller.
	t.font, t.data, t.ratio = f, file, math.Min(1, 1.12*drawnWidth(sample, 100, false)/wide)
	return nil
}

// face is the own font at a size in pixels, nil where there is none.
func (t *Theme) face(size float64) font.Face {
	if t == nil || t.font == nil {
		return nil
	}
	f, err := opentype.NewFace(t.font, &opentype.FaceOptions{Size: size * t.ratio, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil
	}
	return f
}

// mostLogo is the largest side of a logo, in pixels: a small file may unpack to gigabytes.
const mostLogo = 4096

// UseLogo takes a PNG or JPEG picture, which stands in the upper right corner.
func (t *Theme) UseLogo(file []byte) error {
	c, kind, err := image.DecodeConfig(bytes.NewReader(file))
	if err != nil {
		return fmt.Errorf("the logo is neither PNG nor JPEG: %w", err)
	}
	if c.Width < 1 || c.Height < 1 || c.Width > mostLogo || c.Height > mostLogo {
		return fmt.Errorf("the logo is %d x %d pixels; %d is the most", c.Width, c.Height, mostLogo)
	}
	if t.logo, _, err = image.Decode(bytes.NewReader(file)); err != nil {
		return fmt.Errorf("the logo: %w", err)
	}
	t.logoData, t.logoMedia = file, "image/"+kind
	return nil
}

// colour returns the value of an ink in the theme.
func (t *Theme) colour(i ink) string {
	if c, ok := t.own[i]; ok {
		return c
	}
	var n int
	if len(t.series) > 0 {
		if k, _ := fmt.Sscanf(string(i), "s%d", &n); k == 1 {
			return t.series[n%len(t.series)]
		}
	}
	return colour(i, t.dark)
}

// colour returns the value of an ink on this canvas.
func (c *Canvas) colour(i ink, dark bool) string {
	if c.theme != nil {
		return c.theme.colour(i)
	}
	return colour(i, dark)
}

func (t *Theme) css() string {
	var b strings.Builder
	family := "system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif"
	if t.font != nil {
		fmt.Fprintf(&b, "@font-face{font-family:own;size-adjust:%.1f%%;src:url(data:font/otf;base64,%s)}",
			100*t.ratio, base64.StdEncoding.EncodeToString(t.data))
		family = "own," + family
	}
	fmt.Fprintf(&b, "svg{font-family:%s}", family)
	inks := []ink{inkText, inkMuted, inkGrid, inkPaper, inkMark, inkHighlight}
	for k := range palette {
		inks = append(inks, series(k))
	}
	for _, i := range inks {
		fmt.Fprintf(&b, ".f-%s{fill:%s}.k-%s{stroke:%s}", i, t.colour(i), i, t.colour(i))
	}
	return b.String()
}

// logoBox is where the logo stands: as high as the title, an eighth of the width at the most.
func (c *Canvas) logoBox() (x, y, w, h float64) {
	if c.theme == nil || c.theme.logo == nil {
		return 0, 0, 0, 0
	}
	size := c.theme.logo.Bounds().Size()
	h = 2.4 * c.font
	if w = h * float64(size.X) / float64(size.Y); w > c.w/8 {
		w = c.w / 8
		h = w * float64(size.Y) / float64(size.X)
	}
	return c.w - c.font - w, 0.8 * c.font, w, h
}

func (c *Canvas) logoSVG() string {
	x, y, w, h := c.logoBox()
	if w == 0 {
		return ""
	}
	return fmt.Sprintf(`<image x="%s" y="%s" width="%s" height="%s" href="data:%s;base64,%s"/>`, num(x), num(y), num(w),
		num(h), c.theme.logoMedia, base64.StdEncoding.EncodeToString(c.theme.logoData))
}

func (c *Canvas) drawLogo(img *image.RGBA, scale float64) {
	x, y, w, h := c.logoBox()
	if w == 0 {
		return
	}
	to := image.Rect(int(x*scale), int(y*scale), int((x+w)*scale), int((y+h)*scale))
	draw.CatmullRom.Scale(img, to, c.theme.logo, c.theme.logo.Bounds(), draw.Over, nil)
}

// WideIn draws the chart for a video frame of 1920 x 1080 in a theme.
func (ch Chart) WideIn(t *Theme) *Canvas { return ch.renderIn(t, 1920, 1080, 26) }
