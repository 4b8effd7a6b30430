package pictures_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/image/font/gofont/goitalic"

	"capd.example/analysis"
	"capd.example/analysis/power"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/report/chart"
	"capd.example/report/pictures"
)

func source(w *testlab.World, rename func(record.Tags)) pictures.Source {
	passes := w.Passes(rand.New(rand.NewPCG(8, 9)))
	for _, p := range passes {
		if rename != nil {
			rename(p.Tags)
		}
	}
	return sourceOf(w, passes)
}

func sourceOf(w *testlab.World, passes []record.Pass) pictures.Source {
	src := pictures.Source{
		Factors: record.CellFactors,
		PriceBy: record.TagGraphics,
		Cells:   analysis.Cells(passes, analysis.Options{}),
		Frames: func(id string) ([]float64, error) {
			n, _ := strconv.ParseInt(id, 16, 64)
			f := rand.New(rand.NewPCG(uint64(n), 1))
			ms := make([]float64, 1500)
			for i := range ms {
				ms[i] = 8 + f.NormFloat64()*0.4 + f.ExpFloat64()*1.2
			}
			return ms, nil
		},
	}
	for i := range w.Cards {
		src.Prices = append(
			src.Prices,
			pictures.Price{Part: fmt.Sprintf("Ember %d0", i+1), Currency: "EUR", Amount: 200 + 80*float64(i)},
		)
	}
	return src
}

func world(processors, cards, games, resolutions int) *testlab.World {
	return testlab.NewWorld(rand.New(rand.NewPCG(4, 2)), processors, cards, games, resolutions)
}

// made draws an order and returns its files; PICTURES_OUT keeps them for looking at.
func made(t *testing.T, src pictures.Source, spec pictures.Spec) map[string][]byte {
	t.Helper()
	list, _, err := pictures.Draw(src, spec)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	err = pictures.Files(list, spec, func(name string, data []byte) error {
		if dir := os.Getenv("PICTURES_OUT"); dir != "" {
			dir = filepath.Join(dir, strings.ReplaceAll(t.Name(), "/", "-"))
			os.MkdirAll(dir, 0o777)
			os.WriteFile(filepath.Join(dir, name), data, 0o666)
		}
		out[name] = data
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func parse(t *testing.T, text string) pictures.Spec {
	t.Helper()
	spec, err := pictures.Parse([]byte(text), os.ReadFile)
	if err != nil {
		t.Fatal(err)
	}
	return spec
}

// Without a file there is a good set, each picture with its numbers and both sizes.
func TestTheGoodSet(t *testing.T) {
	spec := pictures.Standard()
	spec.Sizes = []float64{1}
	f := made(t, source(world(2, 4, 2, 2), nil), spec)
	for _, name := range []string{"all-games-1", "all-games-2", "game-1", "game-2", "scaling-card-1", "scaling-card-2", "margins", "percentiles"} {
		for _, end := range []string{".svg", ".csv", "-1920x1080.png"} {
			if len(f[name+end]) == 0 {
				t.Errorf("%s%s is missing", name, end)
			}
		}
	}
	if n := strings.Count(string(f["all-games-1.csv"]), "\n"); n != 17 { // 8 pairs of parts, 2 figures, headings
		t.Errorf("%d lines of numbers: %s", n, f["all-games-1.csv"])
	}
	img, err := png.Decode(bytes.NewReader(f["game-1-1920x1080.png"]))
	if err != nil || img.Bounds().Dx() != 1920 || img.Bounds().Dy() != 1080 {
		t.Errorf("%v", err)
	}
}

// orders are looked at: long names, 4 and 40 rows, 2 and 12 games, light, dark and own colours.
func TestOrders(t *testing.T) {
	long := func(tags record.Tags) {
		v := tags["gpu"].Value
		tags["gpu"] = record.Tag{
			Value: "Hinterland Workshop Ember " + v + " Triple Fan Special Edition 24 GB",
			From:  record.FromPath,
		}
	}
	for _, c := range []struct {
		name   string
		world  *testlab.World
		rename func(record.Tags)
		order  string
	}{
		{"four", world(1, 4, 2, 1), nil, "theme = \"dark\"\n[[picture]]\nkind = \"bars\"\nname = \"four\"\ntitle = \"Four cards\"\nsubtitle = \"Two games\"\nhighlight = [\"Ember 30\"]\nfigures = [\"avg_fps\"]"},
		{"forty", world(4, 10, 2, 1), nil, "[[picture]]\nname = \"forty\""},
		{"twelve games", world(1, 3, 12, 1), nil, "[[picture]]\nkind = \"margins\"\nname = \"map\"\n[[picture]]\nkind = \"change\"\nname = \"change\"\nby = \"gpu\"\nbase = \"Ember 20\""},
		{"long names", world(2, 4, 3, 3), long, "[colours]\npaper = \"#fdf6e3\"\ntext = \"#202020\"\n[[picture]]\nname = \"long\"\nhighlight = [\"Hinterland Workshop Ember Ember 30 Triple Fan Special Edition 24 GB\"]\n[[picture]]\nname = \"screens\"\nseries = \"resolution\"\n[[picture]]\nname = \"map\"\nkind = \"margins\"\n[[picture]]\nname = \"lines\"\nkind = \"lines\""},
		{"cost", world(1, 5, 4, 2), nil, "theme = \"dark\"\n[[picture]]\nname = \"cost\"\nfigures = [\"cost_per_frame\"]\nresolutions = [\"1920x1080\"]\n[[picture]]\nname = \"curves\"\nkind = \"percentiles\"\ngames = [\"Game 1\"]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			spec := parse(t, "sizes = [\"1920x1080\"]\n"+c.order)
			for name, data := range made(t, source(c.world, c.rename), spec) {
				if strings.HasSuffix(name, ".svg") {
					readable(t, name, data)
				}
			}
		})
	}
}

// readable checks a drawing: well formed, no text smaller than 22 pixels of 1080 (nine on a
// phone that is 800 wide), nothing outside the frame.
func readable(t *testing.T, name string, svg []byte) {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(svg))
	texts := 0
	for {
		tok, err := dec.Token()
		if tok == nil {
			break
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok || e.Name.Local != "text" {
			continue
		}
		texts++
		for _, a := range e.Attr {
			v, _ := strconv.ParseFloat(a.Value, 64)
			switch a.Name.Local {
			case "font-size":
				if v < 22 {
					t.Errorf("%s: a text of %.1f pixels", name, v)
				}
			case "x":
				if v < 0 || v > 1920 {
					t.Errorf("%s: a text at x = %.0f", name, v)
				}
			case "y":
				if v < 0 || v > 1080 {
					t.Errorf("%s: a text at y = %.0f", name, v)
				}
			}
		}
	}
	if texts < 5 {
		t.Errorf("%s has %d texts", name, texts)
	}
}

// What is wrong with an order is said with its place and what there is.
func TestWrongOrders(t *testing.T) {
	src := source(world(1, 3, 2, 1), nil)
	read := func(string) ([]byte, error) { return nil, errors.New("no such file") }
	for order, want := range map[string]string{
		"theem = \"dark\"":           `line 1, column 1: unknown key "theem"`,
		"theme = \"blue\"":           "neither light nor dark",
		"font = \"x.ttf\"":           "font x.ttf: no such file",
		"sizes = [\"640\"]":          "neither 1920x1080 nor 3840x2160",
		"[colours]\npaper = \"red\"": "not written #rrggbb",
		"[colours]\npaper = \"#777777\"\ntext = \"#888888\"":                   "can hardly be read",
		"[[picture]]\nkind = \"pie\"":                                          `picture 1: kind: "pie" is none of bars`,
		"[[picture]]\nname = \"../x\"":                                         "is no name of a file",
		"[[picture]]\nname = \"a\"\n[[picture]]\nname = \"a\"":                 "there twice",
		"[[picture]]\ncards = [\"Ember 90\"]":                                  `no cell has gpu = "Ember 90"; there are: Ember 10, Ember 20, Ember 30`,
		"[[picture]]\nfigures = [\"speed\"]":                                   `there is no figure "speed" here; there are: avg_fps, cost_per_frame`,
		"[[picture]]\nfigures = [\"avg_fps\", \"p99_ms\"]":                     "bars of one picture have one unit",
		"[[picture]]\nhighlight = [\"Ember 99\"]":                              `there is no "Ember 99" in the picture`,
		"[[picture]]\nkind = \"change\"\nby = \"driver\"":                      `no selected cell has the factor "driver"`,
		"[[picture]]\nkind = \"change\"\nby = \"gpu\"\nbase = \"x\"":           "there are: Ember 10",
		"[[picture]]\nkind = \"lines\"\nby = \"gpu\"\nseries = \"gpu\"":        "by and series are both gpu",
		"[[picture]]\nkind = \"margins\"\nfigures = [\"cost_per_frame\"]":      "of a figure of frame times",
		"[[picture]]\nseries = \"game\"\nfigures = [\"avg_fps\", \"p99_fps\"]": "one at a time in bars of game",
		"[[picture]]\nkind = \"lines\"\nfigures = [\"avg_fps\", \"p99_fps\"]":  "one at a time in lines",
		"[[picture]]\nname = \"nul\"":                                          "names a device in Windows",
		"[[picture]]\nname = \"com1.old\"":                                     "names a device in Windows",
	} {
		spec, err := pictures.Parse([]byte(order), read)
		if err == nil {
			_, _, err = pictures.Draw(src, spec)
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", order, err, want)
		}
	}
}

// The mean over games of a picture is that of its cells, and its interval the narrower one of
// more passes.
func TestMeansOverGames(t *testing.T) {
	src := source(world(1, 3, 3, 1), nil)
	spec := parse(t, "sizes = []\n[[picture]]\nname = \"all\"\nfigures = [\"avg_fps\"]\norder = \"plan\"")
	lines := strings.Split(string(made(t, src, spec)["all.csv"]), "\n")
	for i, card := range []string{"Ember 10", "Ember 20", "Ember 30"} {
		log, n := 0.0, 0.0
		for _, c := range src.Cells {
			if c.Factors["gpu"] == card {
				log, n = log+math.Log(c.Figure("avg_fps").Value()), n+1
			}
		}
		cells := strings.Split(lines[i+1], ",")
		got, _ := strconv.ParseFloat(cells[2], 64)
		low, _ := strconv.ParseFloat(cells[3], 64)
		if cells[0] != card || math.Abs(got/math.Exp(log/n)-1) > 1e-4 || !(low > 0.9*got && low < got) {
			t.Errorf("%v, want %s %.3f", cells, card, math.Exp(log/n))
		}
	}
}

// A theme of the reviewer's own: colours, font and logo reach SVG and PNG.
func TestOwnTheme(t *testing.T) {
	dir := t.TempDir()
	logo := image.NewRGBA(image.Rect(0, 0, 40, 20))
	for i := range logo.Pix {
		logo.Pix[i] = []uint8{200, 10, 10, 255}[i%4]
	}
	var b bytes.Buffer
	if err := png.Encode(&b, logo); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"own.ttf": goitalic.TTF, "logo.png": b.Bytes(), "bomb.png": b.Bytes()} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	read := func(path string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, path)) }
	spec, err := pictures.Parse(
		[]byte(
			"font = \"own.ttf\"\nlogo = \"logo.png\"\nsizes = [\"1920x1080\"]\n[colours]\npaper = \"#102030\"\ntext = \"#ffffff\"\nmuted = \"#c0c0c0\"\nseries = [\"#00ff00\"]\n[[picture]]\nname = \"own\"\nfigures = [\"avg_fps\"]",
		),
		read,
	)
	if err != nil {
		t.Fatal(err)
	}
	f := made(t, source(world(1, 3, 1, 1), nil), spec)
	svg := string(f["own.svg"])
	for _, want := range []string{".f-paper{fill:#102030}", ".f-s0{fill:#00ff00}", "@font-face{font-family:own", `href="data:image/png;base64,`} {
		if !strings.Contains(svg, want) {
			t.Errorf("the drawing lacks %s", want)
		}
	}
	img, err := png.Decode(bytes.NewReader(f["own-1920x1080.png"]))
	if err != nil {
		t.Fatal(err)
	}
	near := func(c color.Color, r, g, b uint32) bool {
		x, y, z, _ := c.RGBA()
		d := func(p, q uint32) bool { return max(p>>8, q)-min(p>>8, q) < 20 }
		return d(x, r) && d(y, g) && d(z, b)
	}
	if !near(img.At(2, 1078), 0x10, 0x20, 0x30) {
		t.Errorf("the paper is %v", img.At(2, 1078))
	}
	if !near(img.At(1920-40, 40), 200, 10, 10) {
		t.Errorf("the logo is not in its corner: %v", img.At(1920-40, 40))
	}
}

// Contrast by WCAG 2.2, "relative luminance" (from memory): black on white is 21, #777777 on
// white 4.48. Every text of the themes of the house has 4.5 and every bar 3 (its success
// criteria 1.4.3 and 1.4.11).
func TestContrast(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#777777", "#ffffff", 4.48}, {"#ffffff", "#ffffff", 1}} {
		if got := chart.Contrast(c.a, c.b); math.Abs(got-c.want) > 0.01 {
			t.Errorf("%s on %s: %.2f, want %.2f", c.a, c.b, got, c.want)
		}
	}
	rule := regexp.MustCompile(`\.f-(\w+)\{fill:(#\w+)\}`)
	for _, theme := range []string{"light", "dark"} {
		spec := parse(t, "theme = \""+theme+"\"\nsizes = []\n[[picture]]\nname = \"x\"")
		svg := string(made(t, source(world(1, 2, 1, 1), nil), spec)["x.svg"])
		colour := map[string]string{}
		for _, m := range rule.FindAllStringSubmatch(svg, -1) {
			colour[m[1]] = m[2]
		}
		for ink, least := range map[string]float64{"text": 4.5, "muted": 4.5, "mark": 4.5, "s0": 3, "s1": 2.9, "highlight": 2.9, "s2": 3, "s3": 2.5} {
			if got := chart.Contrast(colour[ink], colour["paper"]); got < least {
				t.Errorf("%s: %s %s on %s has a contrast of %.2f", theme, ink, colour[ink], colour["paper"], got)
			}
		}
	}
}

// Drawings are what they were looked at: UPDATE_PICTURES=1 writes them anew, to look at again.
func TestGoldenDrawings(t *testing.T) {
	spec := parse(
		t,
		"sizes = []\n[[picture]]\nname = \"bars\"\nhighlight = [\"Ember 20\"]\n[[picture]]\nname = \"lines\"\nkind = \"lines\"\n[[picture]]\nname = \"map\"\nkind = \"margins\"\n[[picture]]\nname = \"change\"\nkind = \"change\"\nbase = \"Ember 30\"",
	)
	for name, data := range made(t, source(world(2, 3, 2, 1), nil), spec) {
		if !strings.HasSuffix(name, ".svg") {
			continue
		}
		path := filepath.Join("testdata", name)
		if os.Getenv("UPDATE_PICTURES") == "1" {
			if err := os.WriteFile(path, data, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil || !bytes.Equal(data, want) {
			t.Errorf("%s is not as it was looked at (%v)", name, err)
		}
	}
}

// A second set replaces the first by its list, and a file of the user's stops it.
func TestOurs(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if ours := pictures.Ours(dir); ours("a.svg") || ours(pictures.List) {
		t.Error("an empty folder has something of ours")
	}
	write(pictures.List, "no list")
	if ours := pictures.Ours(dir); ours(pictures.List) {
		t.Error("what is no list is taken for one")
	}
	sum := fmt.Sprintf("%x", sha256.Sum256([]byte("ours")))
	write(pictures.List, fmt.Sprintf(`{"name":"bench-pictures","files":[{"path":"a.svg","sha256":%[1]q},`+
		`{"path":"../b.svg","sha256":%[1]q},{"path":"d.svg","sha256":%[1]q},{"path":"notes.txt","sha256":%[1]q}]}`, sum))
	for _, name := range []string{"a.svg", "c.svg", "notes.txt"} {
		write(name, "ours")
	}
	write("d.svg", "changed since")
	ours := pictures.Ours(dir)
	if !ours("a.svg") || !ours(pictures.List) || ours("c.svg") || ours("../b.svg") || ours("d.svg") || ours("notes.txt") {
		t.Error("the list does not say what is ours")
	}
}

// The order is read from a file, with what lies beside it; a set replaces an earlier one and
// leaves what is not of one alone, whole or not at all.
func TestSetsInAFolder(t *testing.T) {
	dir := t.TempDir()
	order, out := filepath.Join(dir, "charts.toml"), filepath.Join(dir, "pictures")
	put := func(path, text string) {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := pictures.Load(order); err == nil || !strings.Contains(err.Error(), "the order of pictures") {
		t.Errorf("an order that is not there: %v", err)
	}
	put(order, "logo = \"gone.png\"")
	if _, err := pictures.Load(order); err == nil || !strings.Contains(err.Error(), "logo gone.png") {
		t.Errorf("a logo that is not there: %v", err)
	}
	put(order, "sizes = []\n[[picture]]\nname = \"one\"\n")
	spec, err := pictures.Load(order)
	if err != nil {
		t.Fatal(err)
	}
	list, _, err := pictures.Draw(source(world(1, 2, 1, 1), nil), spec)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := pictures.WriteInto(out, list, spec, t.Logf); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Remove(filepath.Join(out, pictures.List)); err != nil {
		t.Fatal(err)
	}
	put(filepath.Join(out, "one.svg"), "mine")
	if err := pictures.WriteInto(out, list, spec, t.Logf); err == nil {
		t.Error("a file of the user's was written over")
	}
	if text, _ := os.ReadFile(filepath.Join(out, "one.svg")); string(text) != "mine" {
		t.Errorf("the file of the user's is %q now", text)
	}
	if left, _ := filepath.Glob(filepath.Join(out, ".capd-*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// without drops what the passes of a source say of a factor where a cell is meant.
func without(src pictures.Source, factor string, meant func(map[string]string) bool) pictures.Source {
	for i, c := range src.Cells {
		if meant(c.Factors) {
			src.Cells[i].Factors = maps.Clone(c.Factors)
			delete(src.Cells[i].Factors, factor)
		}
	}
	return src
}

// A pass that does not say its card is in no row, column or curve of a picture of cards.
func TestCellsWithoutTheFactor(t *testing.T) {
	src := without(source(world(1, 4, 2, 1), nil), "gpu", func(f map[string]string) bool { return f["gpu"] == "Ember 40" })
	spec := parse(t, "sizes = []\n[[picture]]\nname = \"bars\"\n[[picture]]\nname = \"map\"\nkind = \"margins\"\n"+
		"[[picture]]\nname = \"curves\"\nkind = \"percentiles\"\ngames = [\"Game 1\"]")
	f := made(t, src, spec)
	for _, name := range []string{"bars", "map", "curves"} {
		text := string(f[name+".csv"])
		if !strings.Contains(text, "Ember 20") || regexp.MustCompile(`(?m)^,`).MatchString(text) {
			t.Errorf("%s has a row without a name:\n%s", name, text)
		}
	}
}

// Before and after of many games goes over several pictures, with all games in the end.
func TestChangeOfManyGames(t *testing.T) {
	spec := parse(t, "sizes = []\n[[picture]]\nname = \"change\"\nkind = \"change\"\nbase = \"Ember 10\"")
	f := made(t, source(world(1, 2, 25, 1), nil), spec)
	text := string(f["change-1.csv"]) + string(f["change-2.csv"])
	for g := range 25 {
		if name := fmt.Sprintf("Game %d,", g+1); strings.Count(text, "\n"+name) != 1 {
			t.Errorf("%s is there %d times", name, strings.Count(text, "\n"+name))
		}
	}
	if !strings.Contains(string(f["change-2.csv"]), "\nall,") {
		t.Errorf("no mean over the games: %s", text)
	}
}

// missing takes cells out of a source.
func missing(src pictures.Source, meant func(map[string]string) bool) pictures.Source {
	src.Cells = slices.DeleteFunc(src.Cells, func(c analysis.Cell) bool { return meant(c.Factors) })
	return src
}

// The good set draws what was measured, and names what it cannot draw.
func TestGoodSetOfOrdinaryCampaigns(t *testing.T) {
	bad := func() pictures.Source {
		w := world(1, 3, 2, 2)
		passes := w.Passes(rand.New(rand.NewPCG(8, 9)))
		for i, p := range passes {
			if p.Tags["game"].Value == "Game 1" || p.Tags["resolution"].Value == "2560x1440" {
				passes[i].Verdict = record.VerdictBad
			}
		}
		return sourceOf(w, passes)
	}
	for _, c := range []struct {
		what    string
		src     pictures.Source
		without string // what is skipped
	}{
		{"sixteen pairs of parts", source(world(4, 4, 2, 1), nil), ""},
		{"many cards", source(world(2, 14, 1, 1), nil), ""},
		{"a game that lacks the last resolution", missing(source(world(1, 3, 2, 2), nil), func(f map[string]string) bool {
			return f["game"] == "Game 1" && f["resolution"] == "2560x1440"
		}), ""},
		{"a game and a resolution of bad passes alone", bad(), ""},
		{"a game that names no card", without(source(world(1, 3, 2, 1), nil), "gpu", func(f map[string]string) bool {
			return f["game"] == "Game 2"
		}), "game-2"},
	} {
		list, skipped, err := pictures.Draw(c.src, pictures.Standard())
		if err != nil {
			t.Errorf("%s: %v", c.what, err)
			continue
		}
		if got := fmt.Sprint(skipped); c.without == "" && len(skipped) > 0 || !strings.Contains(got, c.without) || len(skipped) > 1 {
			t.Errorf("%s: skipped %s, want %q", c.what, got, c.without)
		}
		for _, want := range []string{"margins", "percentiles"} {
			if !slices.ContainsFunc(list, func(x pictures.Drawn) bool { return strings.HasPrefix(x.Chart.Name, want) }) {
				t.Errorf("%s: no %s", c.what, want)
			}
		}
	}
	if _, _, err := pictures.Draw(pictures.Source{Factors: record.CellFactors}, pictures.Standard()); err == nil {
		t.Error("nothing at all was drawn without an error")
	}
}

// values are the lines of a picture's numbers by name and series.
func values(data []byte) map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(string(data)) {
		f := strings.Split(strings.TrimSpace(line), ",")
		out[f[0]+"|"+f[1]] = f[2]
	}
	return out
}

// One cell that a row lacks takes no bar from the others, and what is left out is named.
func TestOneMissingCell(t *testing.T) {
	last := func(f map[string]string) bool { return f["gpu"] == "Ember 30" && f["resolution"] == "3840x2160" }
	for kind, by := range map[string]string{"bars": "gpu", "lines": "resolution"} {
		order := fmt.Sprintf("sizes = []\n[[picture]]\nname = \"x\"\nkind = %q\nby = %q\nseries = %q\nfigures = [\"avg_fps\"]",
			kind, by, map[string]string{"gpu": "resolution", "resolution": "gpu"}[by])
		v := values(made(t, missing(source(world(1, 3, 1, 3), nil), last), parse(t, order))["x.csv"])
		for _, card := range []string{"Ember 10", "Ember 20", "Ember 30"} {
			for _, screen := range []string{"1920x1080", "2560x1440", "3840x2160"} {
				at := map[string]string{"gpu": card + "|" + screen, "resolution": screen + "|" + card}[by]
				if there := v[at] != ""; there == last(map[string]string{"gpu": card, "resolution": screen}) {
					t.Errorf("%s: %s is %q", kind, at, v[at])
				}
			}
		}
	}
	f := made(t, missing(source(world(1, 3, 4, 2), nil), func(f map[string]string) bool {
		return f["gpu"] == "Ember 30" && f["resolution"] == "2560x1440" && f["game"] != "Game 1"
	}), parse(t, "sizes = []\n[[picture]]\nname = \"x\"\nseries = \"resolution\""))
	v := values(f["x.csv"])
	if v["Ember 10|2560x1440"] == "" || v["Ember 30|1920x1080"] == "" || v["Ember 30|2560x1440"] != "" {
		t.Errorf("%v", v)
	}
	if !strings.Contains(string(f["x.svg"]), "Ember 30 in 2560x1440") {
		t.Error("the bar that is left out is not named")
	}
	_, _, err := pictures.Draw(missing(source(world(1, 2, 2, 1), nil), func(f map[string]string) bool {
		return (f["gpu"] == "Ember 10") == (f["game"] == "Game 1")
	}), parse(t, "[[picture]]\nname = \"x\""))
	if err == nil || !strings.Contains(err.Error(), "Ember 10, Ember 20 have no measured cell in common") {
		t.Errorf("cards without a common game: %v", err)
	}
}

// Curves are over the cells that all have, each game with the same weight, and say over what:
// by hand the root of 10 ms and 40 ms.
func TestCurvesOverGames(t *testing.T) {
	src := missing(source(world(1, 2, 3, 2), nil), func(f map[string]string) bool {
		return f["game"] == "Game 1" && f["resolution"] != "1920x1080" || f["game"] == "Game 3" && f["gpu"] == "Ember 20"
	})
	ms := map[string]float64{}
	for _, c := range src.Cells {
		for _, u := range c.Passes.Used {
			ms[u.ID] = map[string]float64{"Game 1": 10, "Game 2": 40, "Game 3": 500}[c.Factors["game"]]
		}
	}
	src.Frames = func(id string) ([]float64, error) { return []float64{ms[id], ms[id]}, nil }
	f := made(t, src, parse(t, "sizes = []\n[[picture]]\nname = \"x\"\nkind = \"percentiles\""))
	v := values(f["x.csv"])
	if v["Ember 10|99"] != "20" || v["Ember 20|99"] != "20" {
		t.Errorf("%v", v)
	}
	if !strings.Contains(string(f["x.svg"]), "Geometric mean over 2 games") {
		t.Error("it does not say over what")
	}
}

// Another set takes the place of the first with all of its files, so that the first can be drawn
// again; what the user changed stays, stops a set that has it, and is named.
func TestAnotherSetReplacesTheFirst(t *testing.T) {
	dir := t.TempDir()
	var said string
	draw := func(names ...string) error {
		order := "sizes = []\n"
		for _, n := range names {
			order += fmt.Sprintf("[[picture]]\nname = %q\n", n)
		}
		spec := parse(t, order)
		list, _, err := pictures.Draw(source(world(1, 2, 1, 1), nil), spec)
		if err != nil {
			t.Fatal(err)
		}
		said = ""
		return pictures.WriteInto(dir, list, spec, func(f string, args ...any) { said += fmt.Sprintf(f, args...) })
	}
	there := func(want string) {
		t.Helper()
		files, _ := os.ReadDir(dir)
		var names []string
		for _, f := range files {
			names = append(names, f.Name())
		}
		if got := strings.Join(names, " "); got != want {
			t.Errorf("there is %s, want %s", got, want)
		}
	}
	for _, set := range [][]string{{"one", "two"}, {"two", "three"}, {"one", "two"}} {
		if err := draw(set...); err != nil || said != "" {
			t.Fatalf("%v: %v %s", set, err, said)
		}
	}
	there("one.csv one.svg pictures.json two.csv two.svg")
	if err := os.WriteFile(filepath.Join(dir, "one.svg"), []byte("retouched"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := draw("one", "three"); err == nil || !strings.Contains(err.Error(), "someone changed one.svg") {
		t.Errorf("a picture that was changed: %v", err)
	}
	there("one.csv one.svg pictures.json two.csv two.svg")
	if err := draw("three"); err != nil || !strings.Contains(said, "someone changed one.svg") {
		t.Errorf("%v; said %q", err, said)
	}
	there("one.svg pictures.json three.csv three.svg")
	if text, _ := os.ReadFile(filepath.Join(dir, "one.svg")); string(text) != "retouched" {
		t.Errorf("the user's file is %q now", text)
	}
}

// withSensors says what sensors told of the cells: nothing of one card, heat of another.
func withSensors(src pictures.Source) pictures.Source {
	readings := map[string]power.Reading{}
	for i, c := range src.Cells {
		card := c.Factors[record.TagGraphics]
		if card == "Ember 20" {
			continue
		}
		r := power.Reading{CardWatts: 200 + analysis.Number(i%7), CardMostWatts: 240 + analysis.Number(i%5), CardTemp: 70,
			CardClock: 2500, CardBusy: 99, CPUWatts: analysis.Undefined, CPUMostWatts: analysis.Undefined, CPUTemp: analysis.Undefined,
			CPUClock: analysis.Undefined, CPUBusy: analysis.Undefined, CPUEvents: analysis.Undefined}
		if card == "Ember 30" {
			r.Held = map[string]float64{"heat": 0.2, "power limit": 1}
		}
		for _, p := range c.Counted() {
			readings[p.ID] = r
		}
	}
	src.AddSensors(power.Cells(src.Cells, readings, src.Options))
	return src
}

// Power, heat and clocks have pictures where a sensor told of them, and none where none did; the
// part without a sensor and the one that throttled are named.
func TestSensorsInPictures(t *testing.T) {
	src := withSensors(source(world(1, 4, 3, 2), nil))
	spec := pictures.Standard()
	if spec.Sizes = nil; os.Getenv("PICTURES_OUT") != "" {
		spec.Sizes = []float64{1}
	}
	f := made(t, src, spec)
	for name, want := range map[string]bool{"per-watt": true, "card-watts": true, "card-temperature": true, "card-clock": true,
		"processor-watts": false, "processor-temperature": false, "processor-clock": false} {
		svg := string(f[name+".svg"])
		if (svg != "") != want || (f[name+".csv"] != nil) != want {
			t.Errorf("%s is drawn: %v, want %v", name, svg != "", want)
		}
		if !want {
			continue
		}
		readable(t, name, f[name+".svg"])
		words := strings.Join(strings.Fields(strings.NewReplacer("</text>", " ", "\n", " ").Replace(regexp.MustCompile(`<text[^>]*>`).ReplaceAllString(svg, ""))), " ")
		for _, say := range []string{"Throttled: Ember 30 (card: heat)", "No sensor told of Ember 20"} {
			if !strings.Contains(words, say) {
				t.Errorf("%s does not say %q: %s", name, say, words)
			}
		}
		if strings.Contains(words, "is better") != (name == "per-watt") {
			t.Errorf("%s: %s", name, words)
		}
		if text := string(f[name+".csv"]); !strings.Contains(text, ",throttled\n") || strings.Contains(text, "Ember 20") || !strings.Contains(text, ",card: heat\n") {
			t.Errorf("%s.csv: %s", name, text)
		}
	}
	// The mean power is that of the cells, the largest the largest of them.
	mean, n, most := 0.0, 0.0, 0.0
	for _, m := range src.Measures {
		for _, c := range src.Cells {
			if x := m.Of(c); c.Factors[record.TagGraphics] == "Ember 10" && m.Name == "card_watts" {
				mean, n = mean+x.Value(), n+1
			} else if c.Factors[record.TagGraphics] == "Ember 10" && m.Name == "card_watts_most" {
				most = math.Max(most, x.Value())
			}
		}
	}
	for _, want := range []string{fmt.Sprintf("Ember 10,mean power of the card,%.6g,,,\n", mean/n),
		fmt.Sprintf("Ember 10,largest power of the card,%.6g,,,\n", most)} {
		if !strings.Contains(string(f["card-watts.csv"]), want) {
			t.Errorf("card-watts.csv lacks %q: %s", want, f["card-watts.csv"])
		}
	}
}

// A processor has its colour wherever it is drawn, also where only it is ordered.
func TestAPartKeepsItsColour(t *testing.T) {
	src := source(world(2, 3, 1, 1), nil)
	src.Options.Levels = map[string][]string{record.TagProcessor: {"Quillon 300", "Quillon 200", "Quillon 100"}}
	f := made(t, src, parse(t, `sizes = []
[[picture]]
name = "both"
kind = "lines"
by = "gpu"
series = "cpu"
[[picture]]
name = "one"
kind = "lines"
by = "gpu"
series = "cpu"
processors = ["Quillon 100"]
[[picture]]
name = "percentiles"
kind = "percentiles"
by = "cpu"
cards = ["Ember 10"]
`))
	const third = `class="f-s2"` // a mark of the third series
	for name, svg := range f {
		if strings.HasSuffix(name, ".svg") && !strings.Contains(string(svg), third) {
			t.Errorf("%s lacks the colour of Quillon 100", name)
		}
	}
}
