package chart

import (
	"bytes"
	"image/png"
	"math"
	"strings"
	"testing"

	"capd.example/analysis"
)

func figure(mean, low, high float64) analysis.Figure {
	return analysis.Figure{N: 3, Mean: analysis.Number(mean), CILow: analysis.Number(low), CIHigh: analysis.Number(high),
		Shown: "mean"}
}

// bars returns the widths of the rectangles of an ink in a drawing, in their order.
func bars(c *Canvas, of ink) (out []float64) {
	for _, s := range c.shapes {
		if s.fill == of && s.upright() && s.closed && len(s.points) == 4 {
			out = append(out, s.points[1].x-s.points[0].x)
		}
	}
	return out
}

// Bars are as long as their figures are, the highlighted one has its own colour, and what is
// not there has no bar.
func TestBarsAreTrueToScale(t *testing.T) {
	rows := []Row{
		{Label: "A", Values: []analysis.Figure{figure(100, 98, 102)}},
		{Label: "B", Values: []analysis.Figure{figure(50, 49, 51)}, Highlight: true},
		{Label: "C", Values: []analysis.Figure{{}}},
	}
	c := Grouped(Words{Name: "x", Title: "T", Unit: "FPS", Confidence: "95 %"}, []string{"average"}, 1, 0, rows).Wide()
	plain, light := bars(c, series(0)), bars(c, inkHighlight)
	if len(plain) != 1 || len(light) != 1 || math.Abs(plain[0]/light[0]-2) > 1e-9 {
		t.Errorf("bars of %v and %v", plain, light)
	}
	texts := map[string]bool{}
	for _, s := range c.shapes {
		if s.text != "" {
			texts[s.text] = texts[s.text] || s.bold
		}
	}
	if bold, there := texts["B"]; !there || !bold {
		t.Error("the highlighted name is not bold")
	}
	for _, want := range []string{"A", "C", "100.0", "50.0", "FPS"} {
		if _, there := texts[want]; !there {
			t.Errorf("no text %q", want)
		}
	}
}

// With several series each has its colour and its name in the key, and the axis is shared by
// pictures that are parts of one.
func TestSeriesAndSharedAxis(t *testing.T) {
	rows := []Row{{Label: "A", Values: []analysis.Figure{figure(100, 99, 101), figure(70, 69, 71), {}}}}
	small := []Row{{Label: "B", Values: []analysis.Figure{figure(50, 49, 51), figure(35, 34, 36), {}}}}
	names := []string{"1920x1080", "2560x1440", "3840x2160"}
	end := GroupedEnd(append(append([]Row{}, rows...), small...))
	one := Grouped(Words{Unit: "FPS"}, names, 1, end, rows).Wide()
	two := Grouped(Words{Unit: "FPS"}, names, 1, end, small).Wide()
	for k, want := range []int{2, 2, 1} { // a sign in the key, and a bar where there is a figure
		if n := len(bars(one, series(k))); n != want {
			t.Errorf("series %d has %d rectangles, want %d", k, n, want)
		}
	}
	a, b := bars(one, series(0)), bars(two, series(0))
	if math.Abs(a[len(a)-1]/b[len(b)-1]-2) > 0.02 {
		t.Errorf("the axes differ: bars of %v and %v for figures of 100 and 50", a, b)
	}
}

// An interval many times the figure does not shrink the bars; it ends in an arrow at the edge.
func TestWideIntervalsLeaveBars(t *testing.T) {
	rows := []Row{{Label: "A", Values: []analysis.Figure{figure(100, 10, 5000)}}}
	if end := GroupedEnd(rows); end != 150 {
		t.Errorf("the axis holds %v", end)
	}
	c := Grouped(Words{Unit: "FPS"}, []string{"average"}, 1, 0, rows).Wide()
	for _, s := range c.shapes {
		for _, p := range s.points {
			if p.x > c.w || p.y > c.h || p.x < 0 {
				t.Fatalf("drawn at %v of %v x %v", p, c.w, c.h)
			}
		}
	}
}

// Changes lie left and right of none; what is not certain has no colour.
func TestChangesAboutNone(t *testing.T) {
	nan := math.NaN()
	rows := []Change{
		{Label: "down", By: -0.1, Low: -0.12, High: -0.08, Shown: true},
		{Label: "up", By: 0.05, Low: 0.03, High: 0.07, Shown: true, Highlight: true},
		{Label: "none", By: 0.01, Low: -0.01, High: 0.03},
		{Label: "unknown", By: 0.02, Low: nan, High: nan},
	}
	c := Changes(Words{Title: "T", Confidence: "95 %"}, ChangesEnd(rows), rows).Wide()
	certain, light := bars(c, series(0)), bars(c, inkHighlight)
	if len(certain) != 2 || len(light) != 1 || math.Abs(certain[1]/light[0]-2) > 1e-9 { // the first is in the key
		t.Errorf("%v and %v", certain, light)
	}
	text := c.SVG("x", false)
	for _, want := range []string{"-10.0 %", "+5.0 %", "+1.0 %", "+2.0 %", ">0<", "perhaps none"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in the drawing", want)
		}
	}
	if strings.Contains(text, "NaN") {
		t.Error("NaN in the drawing")
	}
}

// As many rows as fit keep their texts readable, and one row more would not be asked for.
func TestMostRowsAreReadable(t *testing.T) {
	for n := 1; n <= 4; n++ {
		var rows []Row
		names := []string{"a", "b", "c", "d"}[:n]
		for range MostRows(n) {
			r := Row{Label: "Hinterland Workshop Ember 50 Special Edition"}
			for range n {
				r.Values = append(r.Values, figure(100, 99, 101))
			}
			rows = append(rows, r)
		}
		c := Grouped(Words{Title: strings.Repeat("long title ", 12), Note: "note", Unit: "FPS"}, names, 1, 0, rows).Wide()
		for _, s := range c.shapes {
			if s.text != "" && s.size < 22 {
				t.Errorf("%d series, %d rows: %q has %.1f pixels", n, len(rows), s.text, s.size)
			}
			if s.text != "" && s.points[0].y > c.h {
				t.Errorf("%d series, %d rows: %q stands at %.0f", n, len(rows), s.text, s.points[0].y)
			}
		}
	}
}

// Roles of a theme are checked, and a picture takes its colours; the light and the dark theme
// differ.
func TestThemes(t *testing.T) {
	for _, own := range []map[string]string{{"paper": "white"}, {"text": "#12"}, {"text": "#eeeeee"}} {
		if _, err := NewTheme(false, own, nil); err == nil {
			t.Errorf("%v is taken", own)
		}
	}
	if _, err := NewTheme(false, nil, []string{"blue"}); err == nil {
		t.Error("a series of no colour is taken")
	}
	light, err := NewTheme(false, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	dark, err := NewTheme(true, nil, []string{"#ff0000"})
	if err != nil {
		t.Fatal(err)
	}
	if light.colour(inkPaper) == dark.colour(inkPaper) || dark.colour(series(3)) != "#ff0000" {
		t.Errorf("%s, %s, %s", light.colour(inkPaper), dark.colour(inkPaper), dark.colour(series(3)))
	}
	ch := Grouped(Words{Unit: "FPS"}, []string{"a"}, 1, 0, []Row{{Label: "A", Values: []analysis.Figure{figure(9, 8, 10)}}})
	for _, theme := range []*Theme{light, dark} {
		data, err := ch.WideIn(theme).PNG(0.25, false)
		if err != nil {
			t.Fatal(err)
		}
		img, err := png.Decode(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		r, _, _, _ := img.At(1, 1).RGBA()
		if want := uint32(rgb(theme.colour(inkPaper)).R); r>>8 != want {
			t.Errorf("the paper has %d of red, want %d", r>>8, want)
		}
	}
	for _, bad := range [][]byte{nil, []byte("no font"), bytes.Repeat([]byte{0}, 1<<12)} {
		if light.UseFont(bad) == nil || light.UseLogo(bad) == nil {
			t.Errorf("%d bytes are taken for a font or a logo", len(bad))
		}
	}
}

// A bold name that is wider than its room is broken and shortened as the bold text it is: a
// reader's sans-serif may be a quarter wider than the font of the pictures.
func TestBoldNamesStayInTheFrame(t *testing.T) {
	names := []string{"Hinterland Workshop Ember 60 Triple Fan Special Edition 24 GB with Quillon 900 Extra Wide",
		"HinterlandWorkshopEmber60TripleFanSpecialEdition24GBWithQuillon900"}
	var rows []Row
	var changes []Change
	for _, n := range names {
		rows = append(rows, Row{Label: n, Highlight: true, Values: []analysis.Figure{{N: 3, Mean: 100, Shown: "mean"}}})
		changes = append(changes, Change{Label: n, Highlight: true, By: 0.1})
	}
	for range 20 {
		rows, changes = append(rows, rows[1]), append(changes, changes[1])
	}
	heat := HeatMap{Columns: [][]string{{"A"}, {"B"}}}
	for _, inner := range []string{"x", "y"} {
		heat.Rows = append(heat.Rows, []string{strings.Repeat("Copper Drift ", 12), inner})
		heat.Fields = append(heat.Fields, make([]HeatCell, 2))
	}
	title := strings.Repeat("average FPS in Copper Drift, ", 8)
	for what, c := range map[string]*Canvas{
		"bars":    Grouped(Words{Name: "b", Title: title}, []string{"average"}, 1, 100, rows).Wide(),
		"changes": Changes(Words{Name: "c", Title: title}, ChangesEnd(changes), changes).Wide(),
		"map":     Heat("m", title, "", nil, heat).Wide(),
	} {
		bold := 0
		for _, s := range c.shapes {
			if !s.bold {
				continue
			}
			bold++
			wide := 1.25 * drawnWidth(s.text, s.size, true)
			if s.anchor == "end" && s.points[0].x-wide < 0 || s.anchor == "start" && s.points[0].x+wide > c.w {
				t.Errorf("%s: %q of %.0f at %.0f is cut off", what, s.text, wide, s.points[0].x)
			}
		}
		if bold == 0 {
			t.Errorf("%s: no bold text", what)
		}
	}
}
