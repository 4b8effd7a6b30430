package chart

import (
	"fmt"
	"strings"
)

// Shape is the form of a mark, so that it is told by more than its colour.
type Shape int

// The shapes, as they mark the series of a line chart.
const (
	Circle Shape = iota
	Square
	Triangle
	Diamond
)

// Mark draws a mark alone, one text size high, in the colour of the text that it stands in.
func Mark(s Shape) string {
	c := &Canvas{}
	mark(c, int(s), point{12, 12}, 9)
	return fmt.Sprintf(`<svg class="mark" viewBox="0 0 24 24" aria-hidden="true"><polygon points="%s" fill="currentColor"/></svg>`,
		places(c.shapes[0].points))
}

// Tint is the colour of a field of a map for a value from -1 to 1, NaN for none, and the
// colour of a text on it.
func Tint(v float64) (fill, on string) {
	f, o := heatColour(v)
	return string(f), string(o)
}

// Variables are the inks as custom properties of CSS, in light and in dark: --text, --muted,
// --grid, --paper, and --s0 and so on for the series.
func Variables() string {
	list := func(dark bool) string {
		var b strings.Builder
		for _, i := range []ink{inkText, inkMuted, inkGrid, inkPaper} {
			fmt.Fprintf(&b, "--%s:%s;", i, colour(i, dark))
		}
		for k := range palette {
			fmt.Fprintf(&b, "--s%d:%s;", k, colour(series(k), dark))
		}
		return b.String()
	}
	return ":root{color-scheme:light dark;" + list(false) + "}@media screen and (prefers-color-scheme:dark){:root{" +
		list(true) + "}}"
}
