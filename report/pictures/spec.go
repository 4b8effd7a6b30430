// Package pictures draws what a file orders, or without one a good set: bars over all games, one
// picture per game, scaling, maps of margins, percentile curves, before and after. Each picture
// is an SVG and PNG files for video frames, with its numbers as CSV beside it.
package pictures

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"

	"capd.example/analysis"
	"capd.example/internal/text"
	"capd.example/internal/tomlerror"
	"capd.example/record"
	"capd.example/report/chart"
)

// Kinds of pictures.
const (
	Bars        = "bars"        // parts, one bar for each figure or level of another factor
	Lines       = "lines"       // how a figure grows over parts, presets or resolutions
	Margins     = "margins"     // a map of differences
	Percentiles = "percentiles" // how long the slow frames are, a curve for each part
	Change      = "change"      // before and after
)

var kinds = []string{Bars, Lines, Margins, Percentiles, Change}

// Figures beside those of [analysis.Metrics].
const CostPerFrame = "cost_per_frame"

// Spec is what pictures are ordered.
type Spec struct {
	Theme    *chart.Theme
	Sizes    []float64 // scales of 1920 x 1080
	Pictures []Picture // nil: the good set
}

// Picture is one order. Lists of levels select cells and are all of them where they are empty.
type Picture struct {
	Kind      string              `toml:"kind"`
	Name      string              `toml:"name"` // of its files
	Title     string              `toml:"title"`
	Subtitle  string              `toml:"subtitle"`
	Games     []string            `toml:"games"`
	Levels    map[string][]string `toml:"where"` // of any factor
	Cards     []string            `toml:"cards"`
	CPUs      []string            `toml:"processors"`
	Screens   []string            `toml:"resolutions"`
	Presets   []string            `toml:"presets"`
	By        string              `toml:"by"`     // factor of the rows, lines or columns
	Series    string              `toml:"series"` // factor of the bars in a row, or of lines
	Figures   []string            `toml:"figures"`
	Order     string              `toml:"order"` // best, plan or listed
	Highlight []string            `toml:"highlight"`
	Base      string              `toml:"base"` // that margins and changes are over
}

type file struct {
	Theme   string `toml:"theme"`
	Colours struct {
		Series []string `toml:"series"`
		Paper  string   `toml:"paper"`
		Text   string   `toml:"text"`
		Muted  string   `toml:"muted"`
		Grid   string   `toml:"grid"`
		Mark   string   `toml:"mark"`
		Light  string   `toml:"highlight"`
	} `toml:"colours"`
	Font     string    `toml:"font"`
	Logo     string    `toml:"logo"`
	Sizes    []string  `toml:"sizes"`
	Pictures []Picture `toml:"picture"`
}

// sizes are the PNG files that can be asked for.
var sizes = map[string]float64{"1920x1080": 1, "3840x2160": 2}

// Standard is the order without a file: the good set in the light theme.
func Standard() Spec {
	t, err := chart.NewTheme(false, nil, nil)
	if err != nil {
		panic(err) // the theme of the house can be read
	}
	return Spec{Theme: t, Sizes: []float64{1, 2}}
}

// Load reads the order in a file; "" is the good set. Fonts and logos lie beside it.
func Load(path string) (Spec, error) {
	if path == "" {
		return Standard(), nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return Spec{}, fmt.Errorf("the order of pictures: %w", err)
	}
	s, err := Parse(data, func(name string) ([]byte, error) {
		if !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(path), name)
		}
		return os.ReadFile(name)
	})
	if err != nil {
		return s, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// Parse reads an order; read opens the files that it names. All that is wrong is reported at
// once.
func Parse(data []byte, read func(path string) ([]byte, error)) (Spec, error) {
	s := Standard()
	data, _, err := transform.Bytes(unicode.BOMOverride(transform.Nop), data)
	if err != nil {
		return s, err
	}
	var f file
	if err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&f); err != nil {
		return s, tomlerror.Explain(err, nil)
	}
	var wrong []error
	if s.Theme, err = f.theme(read); err != nil {
		wrong = append(wrong, err)
	}
	if f.Sizes != nil {
		s.Sizes = nil
	}
	for _, z := range f.Sizes {
		if k, ok := sizes[z]; ok {
			s.Sizes = append(s.Sizes, k)
		} else {
			wrong = append(wrong, fmt.Errorf("sizes: %q is neither 1920x1080 nor 3840x2160", z))
		}
	}
	names := map[string]bool{}
	for i := range f.Pictures {
		p := &f.Pictures[i]
		for _, err := range p.settle(i, names) {
			wrong = append(wrong, fmt.Errorf("picture %d: %w", i+1, err))
		}
	}
	s.Pictures = f.Pictures
	return s, errors.Join(wrong...)
}

func (f file) theme(read func(path string) ([]byte, error)) (*chart.Theme, error) {
	if f.Theme != "" && f.Theme != "light" && f.Theme != "dark" {
		return nil, fmt.Errorf("theme: %q is neither light nor dark; own colours stand under [colours]", f.Theme)
	}
	own := map[string]string{}
	for role, c := range map[string]string{"paper": f.Colours.Paper, "text": f.Colours.Text, "muted": f.Colours.Muted,
		"grid": f.Colours.Grid, "mark": f.Colours.Mark, "highlight": f.Colours.Light} {
		if c != "" {
			own[role] = c
		}
	}
	t, err := chart.NewTheme(f.Theme == "dark", own, f.Colours.Series)
	if err != nil {
		return nil, fmt.Errorf("colours: %w", err)
	}
	for _, x := range []struct {
		what, path string
		use        func([]byte) error
	}{{"font", f.Font, t.UseFont}, {"logo", f.Logo, t.UseLogo}} {
		if x.path == "" {
			continue
		}
		data, err := read(x.path)
		if err == nil {
			err = x.use(data)
		}
		if err != nil {
			return nil, fmt.Errorf("%s %s: %w", x.what, x.path, err)
		}
	}
	return t, nil
}

var fileName = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,60}$`)

// device are the names that Windows keeps for its devices, with any ending (Microsoft: Naming
// Files, Paths, and Namespaces; from memory).
var device = regexp.MustCompile(`^(con|prn|aux|nul|(com|lpt)[0-9])(\..*)?$`)

// settle fills in what an order leaves open and returns what is wrong with it.
func (p *Picture) settle(i int, names map[string]bool) (wrong []error) {
	bad := func(format string, args ...any) { wrong = append(wrong, fmt.Errorf(format, args...)) }
	if p.Kind == "" {
		p.Kind = Bars
	}
	if !slices.Contains(kinds, p.Kind) {
		bad("kind: %q is none of %s", p.Kind, strings.Join(kinds, ", "))
	}
	if p.Name == "" {
		p.Name = fmt.Sprintf("picture-%d", i+1)
	}
	if device.MatchString(p.Name) {
		bad("name: %q names a device in Windows; choose another", p.Name)
	}
	if !fileName.MatchString(p.Name) {
		bad("name: %q is no name of a file: small letters, digits, - and _", text.Plain(p.Name))
	}
	if names[p.Name] {
		bad("name: %q is there twice", p.Name)
	}
	names[p.Name] = true
	if p.Levels == nil {
		p.Levels = map[string][]string{}
	}
	for f, l := range map[string][]string{record.TagGame: p.Games, record.TagGraphics: p.Cards,
		record.TagProcessor: p.CPUs, record.TagResolution: p.Screens, record.TagPreset: p.Presets} {
		if len(l) > 0 {
			p.Levels[f] = l
		}
	}
	switch p.Order {
	case "", "best", "plan", "listed":
	default:
		bad("order: %q is none of best, plan, listed", p.Order)
	}
	if p.By == "" {
		p.By = record.TagGraphics
	}
	if len(p.Figures) == 0 {
		p.Figures = []string{analysis.Average}
		if p.Kind == Bars && p.Series == "" {
			p.Figures = []string{analysis.Average, analysis.Low1}
		}
	}
	if (p.Series != "" || p.Kind != Bars) && len(p.Figures) > 1 {
		what := p.Kind
		if p.Series != "" {
			what += " of " + text.Plain(p.Series)
		}
		bad("figures: one at a time in %s", what)
	}
	if len(p.Figures) > 4 {
		bad("figures: %d are too many for a row; four are the most", len(p.Figures))
	}
	return wrong
}
