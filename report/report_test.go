package report_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"

	"capd.example/analysis/compare"
	"capd.example/analysis/power"
	"capd.example/record"
	"capd.example/report"
)

func files(t testing.TB, in report.Input) map[string][]byte {
	t.Helper()
	r, err := report.Build(in)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	if err := r.Files(func(path string, data []byte) error {
		if _, ok := out[path]; ok {
			t.Errorf("%s twice", path)
		}
		out[path] = data
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// REPORT_OUT keeps the report for looking at it.
func keep(t *testing.T, name string, f map[string][]byte) {
	dir := os.Getenv("REPORT_OUT")
	if dir == "" {
		return
	}
	for path, data := range f {
		to := filepath.Join(dir, name, path)
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

func TestReportIsWhole(t *testing.T) {
	in := campaign(2, 4, 9, 2)
	f := files(t, in)
	keep(t, "whole", f)
	page := string(f["index.html"])
	for _, p := range in.Passes {
		if !strings.Contains(page, p.SHA256) || !strings.Contains(page, `id="pass-`+p.ID+`"`) {
			t.Fatalf("pass %s is not in the page with its hash", p.ID)
		}
	}
	for _, want := range []string{"Nine cards on four processors", "no temperature was read", "6000 MT/s", "refused: firmware version", "The same on all 4 systems", "Schuirmann", "EUR", "2026-03-01"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in the page", want)
		}
	}
	// Every link within the page and to its files leads somewhere.
	for _, part := range strings.Split(page, `href="`)[1:] {
		to, _, _ := strings.Cut(part, `"`)
		switch {
		case strings.HasPrefix(to, "#"):
			if !strings.Contains(page, `id="`+to[1:]+`"`) {
				t.Errorf("%s leads nowhere", to)
			}
		case strings.HasPrefix(to, "data:"):
		default:
			if f[to] == nil {
				t.Errorf("%s is no file of the report", to)
			}
		}
	}
	if strings.Contains(page, "<script") || strings.Contains(page, "http://") && !onlyNamespace(page) ||
		strings.Contains(page, "https://") {
		t.Error("the page loads something or holds a script")
	}
}

func onlyNamespace(page string) bool {
	return !strings.Contains(strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, ""), "http://")
}

func TestChartsAreDrawings(t *testing.T) {
	f := files(t, campaign(1, 3, 4, 1))
	svgs, pngs := 0, 0
	for path, data := range f {
		switch filepath.Ext(path) {
		case ".svg":
			svgs++
			d := xml.NewDecoder(bytes.NewReader(data))
			for {
				if _, err := d.Token(); errors.Is(err, io.EOF) {
					break
				} else if err != nil {
					t.Errorf("%s: %v", path, err)
					break
				}
			}
		case ".png":
			pngs++
			img, err := png.DecodeConfig(bytes.NewReader(data))
			if err != nil || !strings.HasSuffix(path, "-1920x1080.png") && img.Width != 3840 ||
				strings.HasSuffix(path, "-1920x1080.png") && (img.Width != 1920 || img.Height != 1080) {
				t.Errorf("%s: %+v %v", path, img, err)
			}
		}
	}
	if svgs < 6 || pngs != 4 {
		t.Errorf("%d SVG, %d PNG", svgs, pngs)
	}
}

// The data package describes what is there (Frictionless Data Package v1: specs.frictionlessdata.io).
// What sensors said stands in the page and in the data; a column that none fills is left out.
func TestPowerInTheReport(t *testing.T) {
	in := campaign(2, 1, 2, 1)
	in.Readings = map[string]power.Reading{}
	for _, p := range in.Passes[:3] {
		in.Readings[p.ID], _ = power.Of(&record.Telemetry{Series: []record.Series{
			{
				Name:   "gpu.0.power",
				Values: []float64{210, 230},
			}, {Name: "gpu.0.throttle", Values: []float64{record.ThrottleThermal}}}})
	}
	f := files(t, in)
	page, data := string(f["index.html"]), string(f["data/power.csv"])
	_, section, _ := strings.Cut(page, `<h2 id="power">`)
	section, _, _ = strings.Cut(section, "</section>")
	if !strings.Contains(section, ">220</td>") || !strings.Contains(section, "card: heat") ||
		strings.Contains(section, "processor watts") ||
		strings.Count(data, "\n") != 2 ||
		!strings.Contains(data, ",220,230,,,,,,,,,card: heat") {
		t.Errorf("%s\n%s", section, data)
	}
	if page := string(files(t, campaign(1, 1, 2, 1))["index.html"]); strings.Contains(page, `id="power"`) {
		t.Error("a section about power without a sensor")
	}
}

// Games and settings stand in the order of the campaign, and what stands against publishing
// ends the page: the cells that it names are marked in charts and tables.
// A cell with the rates of the one beside it is asked about on the page and before publishing.
func TestGuessesAtMistakesAreShown(t *testing.T) {
	in := campaign(3, 1, 4, 3)
	of := func(p record.Pass) string { return p.Tags.Value("game") + p.Tags.Value("resolution") }
	like := map[string][]record.Pass{}
	for _, p := range in.Passes {
		like[of(p)+p.Tags.Value("gpu")] = append(like[of(p)+p.Tags.Value("gpu")], p)
	}
	where := of(in.Passes[len(in.Passes)-1])
	for i, p := range in.Passes { // the second card's passes of one cell were of the first one
		if of(p) == where && p.Tags.Value("gpu") == gpuName(1) {
			in.Passes[i].Metrics = like[where+gpuName(0)][i%3].Metrics
		}
	}
	page := string(files(t, in)["index.html"])
	for _, want := range []string{"Perhaps mistakes", "<strong>odd</strong>: ", "the same rate as", "a guess: look"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// A note on one cell stands beside it, others in the list alone, with how many cells they are about.
func TestNotesInTheReport(t *testing.T) {
	in := campaign(2, 1, 2, 1)
	at := in.At
	card := in.Passes[0].Tags.Value("gpu")
	in.Notes = []record.Note{{About: map[string]string{"gpu": card}, Text: "on loan", At: at},
		{About: map[string]string{"gpu": card, "game": in.Passes[0].Tags.Value("game")}, Text: "flickers.", At: at}}
	page := string(files(t, in)["index.html"])
	for text, want := range map[string]int{"on loan. ": 1, ", 2 cells</span>": 1, "flickers. ": 1, "noted: flickers.": 1, `<strong>` + card + `</strong>: on loan`: 1} {
		if n := strings.Count(page, text); n != want {
			t.Errorf("%q stands %d times, want %d", text, n, want)
		}
	}
	if in.Notes = nil; strings.Contains(string(files(t, in)["index.html"]), `id="notes"`) {
		t.Error("a page without notes has a list of them")
	}
}

func TestOrderOfTheCampaignAndMarks(t *testing.T) {
	in := campaign(3, 1, 2, 1)
	in.Options.Levels = map[string][]string{"game": {"Salt Roads", "Nine Tides", "Lantern Keep"}}
	in.Passes[0].Verdict = record.VerdictDoubtful
	f := files(t, in)
	page := string(f["index.html"])
	at := -1
	for _, game := range in.Options.Levels["game"] {
		i := strings.Index(page, "<h3>"+game)
		if i <= at {
			t.Errorf("%s stands at %d, after %d", game, i, at)
		}
		at = i
	}
	if n := strings.Count(page, "<td>(!) see "); n != 1 {
		t.Errorf("%d cells are marked in the table", n)
	}
	if !strings.Contains(
		page,
		"<strong>doubtful</strong>: pass 000000000001 counts although the verdict is doubtful",
	) ||
		!strings.Contains(page, "<strong>disclosure</strong>: not known of all passes:") {
		t.Error("the page does not say what stands against publishing")
	}
	marked := 0
	for path, data := range f {
		if strings.HasSuffix(path, ".svg") && strings.Contains(string(data), "(!): see") {
			if !strings.Contains(string(data), " (!)</text>") {
				t.Errorf("%s explains a mark that it does not have", path)
			}
			marked++
		}
	}
	if marked != 1 {
		t.Errorf("%d charts have a mark", marked)
	}
}

func TestDataPackage(t *testing.T) {
	f := files(t, campaign(2, 3, 4, 1))
	var p struct {
		Name, Profile string
		Resources     []struct {
			Name, Path, Profile string
			Bytes               int
			Schema              struct {
				Fields []struct{ Name, Type string }
			}
		}
	}
	if err := json.Unmarshal(f["datapackage.json"], &p); err != nil || p.Profile != "tabular-data-package" ||
		len(p.Resources) != 12 {
		t.Fatalf("%v %+v", err, p)
	}
	for _, r := range p.Resources {
		rows, err := csv.NewReader(bytes.NewReader(f[r.Path])).ReadAll()
		if err != nil || len(rows) < 1 || len(f[r.Path]) != r.Bytes {
			t.Fatalf("%s: %v, %d rows, %d bytes of %d", r.Path, err, len(rows), len(f[r.Path]), r.Bytes)
		}
		names := map[string]bool{}
		for i, field := range r.Schema.Fields {
			if names[field.Name] {
				t.Errorf("%s: two columns %s", r.Path, field.Name)
			}
			names[field.Name] = true
			if rows[0][i] != field.Name {
				t.Errorf("%s: column %d is %s, not %s", r.Path, i, rows[0][i], field.Name)
			}
			for _, row := range rows[1:] {
				if field.Type == "number" && row[i] != "" && json.Unmarshal([]byte(row[i]), new(float64)) != nil {
					t.Errorf("%s: %s = %q is no number", r.Path, field.Name, row[i])
				}
			}
		}
	}
}

// Names from outside neither become markup of the page or a drawing nor a formula.
func TestInjection(t *testing.T) {
	in := campaign(1, 2, 2, 1)
	const evil = `<img src=x onerror=alert(1)>"'&` + "\x01"
	const formula = "=HYPERLINK(\"x\")"
	in.Title = evil
	for i := range in.Passes {
		p := &in.Passes[i]
		p.Tags["game"] = record.Tag{Value: evil}
		p.Tags["gpu"] = record.Tag{Value: formula + p.Tags.Value("gpu")}
		p.Log, p.Bench, p.Overruled = evil, evil, evil
		p.Findings = append(p.Findings, record.Finding{Check: evil, Outcome: record.Doubtful, Reason: "@" + evil})
	}
	in.Systems["system00"] = record.System{
		ID:     evil,
		Fields: []record.Field{{Name: evil, Value: evil, Unit: evil, Source: evil}},
	}
	in.Traces = []report.Trace{{Pass: in.Passes[0], MS: []float64{5, 6, 5}}}
	in.Notes = []record.Note{{About: map[string]string{"game": evil}, Text: formula + evil}}
	f := files(t, in)
	keep(t, "injection", f)
	if !bytes.Contains(f["data/notes.csv"], []byte("HYPERLINK")) || !bytes.Contains(f["index.html"], []byte(`HYPERLINK(&#34;x&#34;)&lt;img`)) {
		t.Error("the note is not told")
	}
	for path, data := range f {
		switch filepath.Ext(path) {
		case ".html", ".svg":
			if bytes.Contains(data, []byte("<img")) {
				t.Errorf("%s holds markup from a name", path)
			}
		case ".csv":
			rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
			if err != nil {
				t.Errorf("%s: %v", path, err)
			}
			for _, row := range rows {
				for _, v := range row {
					if v != "" && strings.ContainsRune("=+@", rune(v[0])) {
						t.Errorf("%s holds the formula %q", path, v)
					}
				}
			}
		}
	}
	for path, data := range f {
		if filepath.Ext(path) != ".svg" {
			continue
		}
		d := xml.NewDecoder(bytes.NewReader(data))
		for {
			if _, err := d.Token(); err != nil {
				if !errors.Is(err, io.EOF) {
					t.Errorf("%s: %v", path, err)
				}
				break
			}
		}
	}
}

func TestReportOfLittle(t *testing.T) {
	for name, in := range map[string]report.Input{"nothing": {Title: "empty"}, "one pass": {Title: "one", Passes: campaign(1, 1, 1, 1).Passes[:1], Pictures: 9}} {
		if f := files(t, in); len(f["index.html"]) == 0 || len(f["datapackage.json"]) == 0 {
			t.Errorf("%s: %d files", name, len(f))
		}
	}
	bad := campaign(1, 2, 2, 1)
	for i := range bad.Passes {
		bad.Passes[i].Verdict = record.VerdictBad
	}
	f := files(t, bad)
	if !bytes.Contains(f["index.html"], []byte("no usable pass")) {
		t.Error("nothing says that no pass is usable")
	}
	dear := campaign(1, 2, 2, 1)
	dear.Prices, dear.PriceBy = []compare.Price{{Part: "x", Amount: 1}}, "colour"
	if _, err := report.Build(dear); err == nil {
		t.Error("prices of a factor that is none")
	}
}

// What names rows and columns of charts is whole, on a phone too: names that look alike
// differ at their ends.
func TestNamesInChartsAreWhole(t *testing.T) {
	in := campaign(2, 3, 9, 2)
	for i := range in.Passes {
		tags := in.Passes[i].Tags
		for _, name := range []string{"cpu", "gpu", "game"} {
			tags[name] = record.Tag{Value: "Northern Valley " + tags.Value(name) + " Extended"}
		}
	}
	page := string(files(t, in)["index.html"])
	for _, part := range strings.Split(page, "<text ")[1:] {
		part, _, _ = strings.Cut(part, "</text>")
		if strings.Contains(part, "…") {
			t.Fatalf("cut: %s", part)
		}
	}
}

// What passes were left out by is said before they are unfolded, and what kept a check
// from several passes is said once.
func TestPassesAreSummedUp(t *testing.T) {
	in := campaign(1, 2, 2, 1)
	set := func(i int, f record.Finding) {
		in.Passes[i].Verdict = record.VerdictBad
		in.Passes[i].Findings = append([]record.Finding{f}, in.Passes[i].Findings...)
	}
	set(0, record.Finding{Check: "thermal", Outcome: record.Bad, Reason: "throttled: for 9 s"})
	set(3, record.Finding{Check: "thermal", Outcome: record.Bad, Reason: "throttled: for 12 s"})
	set(4, record.Finding{Check: "completeness", Outcome: record.Bad, Reason: "24 of 60 s"})
	in.Passes[6].Verdict, in.Passes[6].Overruled = record.VerdictBad, "the door stood open"
	in.Passes[7].Metrics = record.Metrics{}
	for i := range 2 {
		in.Passes[i].Findings = append(
			in.Passes[i].Findings,
			record.Finding{Check: "background", Outcome: record.NotChecked, Reason: "asked for by two"},
		)
	}
	page := html.UnescapeString(string(files(t, in)["index.html"]))
	for want, n := range map[string]int{
		"<summary>12 passes: 7 count, 5 left out (thermal 2, completeness 1, judged by hand 1, no frame rate 1)</summary>": 1,
		"thermal bad: throttled: for 9 s. Not checked":                                                                     1,
		"<li>thermal, 12 passes: no temperature was read</li>":                                                             1, "Not checked: thermal (1). 1 check fine": 12, // which each pass has
		"background not-checked: asked for by two.": 2,
	} {
		if got := strings.Count(page, want); got != n {
			t.Errorf("%q is there %d times, not %d", want, got, n)
		}
	}
	good := html.UnescapeString(string(files(t, campaign(1, 2, 2, 1))["index.html"]))
	if !strings.Contains(good, "<summary>12 passes: 12 count, 0 left out</summary>") {
		t.Error("the passes are not counted where all count")
	}
}

// Where a bench keeps its logs is not published; what tells them apart is.
func TestPathsOfLogs(t *testing.T) {
	for _, c := range []struct{ folder, between string }{{"/home/someone/bench/", "/"}, {`D:\someone\bench\`, `\`}} {
		in := campaign(1, 2, 2, 1)
		for i := range in.Passes {
			in.Passes[i].Log = fmt.Sprintf("%scell %d%spass %d.csv", c.folder, i/3, c.between, i%3+1)
		}
		page := html.UnescapeString(string(files(t, in)["index.html"]))
		if strings.Contains(page, "someone") || !strings.Contains(page, "<code>cell 2"+c.between+"pass 3.csv</code>") {
			t.Errorf("%s: the page holds the folder, or not what is below", c.folder)
		}
	}
}

// What forms and colours mean stands beside every chart in words, which name form or text
// beside the colour; axes have their units.
func TestChartsExplainThemselves(t *testing.T) {
	f := files(t, campaign(2, 3, 4, 1))
	words := map[string][]string{
		"rates-1-1": {
			"average (wide, blue)",
			"1% low (narrow, orange)",
			"uncertainty, 95 % (thin line; arrow: longer)",
			">FPS<",
			"longer is better",
		},
		"scaling-1": {"one line per processor", "uncertainty (95 %)", ">FPS<"},
		"margins-gpu": {
			"faster (blue, +)",
			"slower (orange, -)",
			"no difference: at most so much either way (grey, ≤)",
			"perhaps none (grey, ?)",
			"per cent",
			"95 % intervals",
		},
		"coverage":       {"three or more (grey)", "fewer (orange, the fuller the fewer)"},
		"trace-1":        {">ms<", ">s<"},
		"distribution-1": {">%<", ">ms<"},
	}
	plain := strings.NewReplacer("\u00a0%", " %")
	for name, list := range words {
		page := string(f["index.html"])
		for where, text := range map[string]string{"file": string(f["charts/"+name+".svg"]), "page": drawing(page, name), "phone": drawing(page, name+"-narrow")} {
			text = plain.Replace(html.UnescapeString(text))
			var run strings.Builder // texts are broken into lines
			for _, part := range strings.Split(text, "<text ")[1:] {
				part, _, _ = strings.Cut(part, "</text>")
				run.WriteString(part[strings.Index(part, ">")+1:] + " ")
			}
			for _, want := range list {
				in := run.String()
				if strings.HasPrefix(want, ">") {
					in = text
				}
				if !strings.Contains(in, want) {
					t.Errorf("%s in the %s: no %q in %q", name, where, want, run.String())
				}
			}
		}
	}
	bars := campaign(1, 2, 2, 1)
	bars.Passes[0].Metrics.AvgFPS *= 1.5 // its cell shows the median
	if f := files(t, bars); !bytes.Contains(f["charts/rates-1-1.svg"], []byte("* median: the passes differ too much")) {
		t.Error("the mark of medians is not explained")
	}
}

// Parts of one chart have one axis: their bars compare.
func TestPartsShareTheirAxis(t *testing.T) {
	f := files(t, campaign(1, 4, 9, 1))
	last := func(name string) string {
		before, _, _ := strings.Cut(string(f["charts/"+name+".svg"]), ">FPS<")
		before = before[:strings.LastIndex(before, "</text>")]
		return before[strings.LastIndex(before, ">")+1:]
	}
	if a, b := last("rates-1-1"), last("rates-1-2"); a != b || a == "" {
		t.Errorf("axes to %q and to %q", a, b)
	}
}

// drawing is the drawing of a name in a page.
func drawing(page, name string) string {
	_, after, _ := strings.Cut(page, `aria-labelledby="`+name+`-t `)
	text, _, _ := strings.Cut(after, "</svg>")
	return text
}

// The head of the page names the program in short, the methods whole; the title of the
// document tells reports with the same heading apart.
func TestProvenance(t *testing.T) {
	build := func(version string, settings ...debug.BuildSetting) *debug.BuildInfo {
		return &debug.BuildInfo{GoVersion: "go1.26.1", Main: debug.Module{Version: version},
			Settings: append(
				settings,
				debug.BuildSetting{Key: "GOOS", Value: "plan9"},
				debug.BuildSetting{Key: "GOARCH", Value: "arm"},
			)}
	}
	const revision = "3a2b1c4d5e6f3a2b1c4d5e6f3a2b1c4d5e6f3a2b"
	commit := []debug.BuildSetting{
		{Key: "vcs.revision", Value: revision},
		{Key: "vcs.time", Value: "2026-03-02T10:00:00Z"},
	}
	changed := append(commit[:2:2], debug.BuildSetting{Key: "vcs.modified", Value: "true"})
	for _, c := range []struct {
		build *debug.BuildInfo
		short string
		whole []string
	}{
		{build("v1.4.0", commit...), " with capctl v1.4.0 (", []string{"capctl v1.4.0", revision + " of 2026-03-02T10:00:00Z<"}},
		{build("v1.5.0-rc.1"), " with capctl v1.5.0-rc.1 (", []string{"not recorded by the build"}},
		{build("v0.0.0-20260302100000-3a2b1c4d5e6f", commit...), " with capctl build 3a2b1c4 (", []string{"capctl v0.0.0-20260302100000-3a2b1c4d5e6f", revision}},
		{build("v1.4.1-0.20260302100000-3a2b1c4d5e6f+dirty", changed...), " with capctl build 3a2b1c4 with changes (", []string{"+dirty", "with changes that are not in it"}},
		{build("(devel)"), " with capctl (", []string{"capctl (devel)", "not recorded by the build"}},
		{nil, " with capctl (", []string{"version unknown"}},
	} {
		in := campaign(1, 1, 1, 1)
		in.Program = report.Program{Build: c.build, SHA256: strings.Repeat("ab", 32)}
		page := html.UnescapeString(string(files(t, in)["index.html"]))
		head, rest, _ := strings.Cut(page, "</header>")
		if !strings.Contains(head, c.short) || strings.Contains(head, "20260302") {
			t.Errorf("no %q in %s", c.short, head[strings.Index(head, "<header>"):])
		}
		if c.build != nil {
			c.whole = append(c.whole, in.Program.SHA256, "go1.26.1 for plan9/arm")
		}
		for _, want := range c.whole {
			if !strings.Contains(rest, want) {
				t.Errorf("%v: no %q below the head", c.build, want)
			}
		}
		if !strings.Contains(head, "<title>Nine cards on four processors – 1 cell, 2026-03-04</title>") {
			t.Error("the title of the document does not tell the report from others")
		}
	}
}

// One cell alone is a chart of one bar's height.
func TestOneRow(t *testing.T) {
	in := campaign(1, 1, 1, 1)
	in.Traces = nil
	f := files(t, in)
	for path, most := range map[string]float64{"index.html": 50, "charts/rates-1-1.svg": 200} {
		high := 0.0
		for _, part := range strings.Split(string(f[path]), `height="`)[1:] {
			var h float64
			if _, err := fmt.Sscanf(part, "%f", &h); err == nil && h != 1080 {
				high = max(high, h)
			}
		}
		if !(high > 5 && high < most) {
			t.Errorf("%s: a bar of %g", path, high)
		}
	}
	for _, want := range []string{"No cell could be tested against the others:", "1 cell of 1 processor and 1 card do not tell what to expect of each other", "What limits each cell, and why"} {
		if !strings.Contains(string(f["index.html"]), want) {
			t.Errorf("no %q in the page", want)
		}
	}
	if strings.Contains(string(f["index.html"]), "None of the tested") {
		t.Error("all clear without a test")
	}
}

func TestLimitsHaveReasons(t *testing.T) {
	in := campaign(1, 3, 4, 1)
	r, err := report.Build(in)
	if err != nil {
		t.Fatal(err)
	}
	page := html.UnescapeString(string(files(t, in)["index.html"]))
	for _, l := range r.Limits {
		if l.Reason == "" || !strings.Contains(page, l.Reason) {
			t.Errorf("%s: the reason %q is not in the page", l.Name(), l.Reason)
		}
	}
}

// What is the same on all systems stands once, what differs beside each other, and what is
// known nowhere in one place.
func TestSystemsAreToldApart(t *testing.T) {
	in := campaign(1, 3, 2, 1)
	for id, s := range in.Systems {
		s.Fields = append(
			s.Fields,
			record.Field{Name: "board.name", Value: "Halden HX"},
			record.Field{Name: "storage.0.model", Unknown: record.Absent},
		)
		if id == "system01" {
			s.Fields = append(s.Fields, record.Field{Name: "processor.boost", Value: "off"})
		}
		in.Systems[id] = s
	}
	page := string(files(t, in)["index.html"])
	page = page[strings.Index(page, `<h2 id="systems"`):strings.Index(page, `<h2 id="methods"`)]
	for want, n := range map[string]int{"The same on all 3 systems": 1, "Halden HX": 1, "Quillon 300": 1, "Quillon 400": 1, "processor boost": 1, "unknown (absent)": 2,
		"Not known here: 2 facts": 1, "storage 0 model": 1, "refused: firmware version": 1} {
		if got := strings.Count(page, want); got != n {
			t.Errorf("%q is there %d times, not %d", want, got, n)
		}
	}
}

// A report lists its charts, and only paths of charts are read from such a list.
func TestDrawnBefore(t *testing.T) {
	f := files(t, campaign(2, 2, 2, 1))
	n := 0
	for _, d := range report.DrawnBefore(f["datapackage.json"]) {
		n++
		if got := fmt.Sprintf("%x", sha256.Sum256(f[d.Path])); got != d.SHA256 {
			t.Errorf("%s: %s, listed as %s", d.Path, got, d.SHA256)
		}
		delete(f, d.Path)
	}
	if n < 8 {
		t.Errorf("%d charts are listed", n)
	}
	for path := range f {
		if strings.HasPrefix(path, "charts/") {
			t.Errorf("%s is not listed", path)
		}
	}
	for _, text := range []string{"", "{", `[]`, `{"charts":[{"path":"charts/rates-1-1.svg"}]}`, `{"name":"other","charts":[{"path":"charts/rates-1-1.svg"}]}`,
		`{"name":"bench-report","charts":[{"path":"../charts/rates-1-1.svg"},{"path":"charts/../rates.svg"},{"path":"/charts/rates-1.svg"},{"path":"charts/rates/../../x.svg"},{"path":"charts/own.svg"},{"path":"index.html"},{"path":"charts\\rates-1.svg"}]}`} {
		if got := report.DrawnBefore([]byte(text)); len(got) > 0 {
			t.Errorf("%s: %v", text, got)
		}
	}
}

// BenchmarkReport makes reports of 1,000 and of 10,000 cells of three passes, pictures
// included.
func BenchmarkReport(b *testing.B) {
	for name, in := range map[string]report.Input{"1000": campaign(5, 8, 25, 1), "10000": campaign(5, 20, 50, 2)} {
		in.Pictures = 8
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r, err := report.Build(in)
				if err != nil {
					b.Fatal(err)
				}
				if fmt.Sprint(len(r.Cells)) != name {
					b.Fatalf("%d cells", len(r.Cells))
				}
				if err := r.Files(func(path string, data []byte) error {
					if path == "index.html" {
						b.ReportMetric(float64(len(data)), "page-bytes")
					}
					return nil
				}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// The line of a processor has the colour of its position in the campaign, and so the same as in
// every other chart.
func TestALineHasTheColourOfItsPart(t *testing.T) {
	in := campaign(1, 2, 2, 1)
	in.Options.Levels = map[string][]string{record.TagProcessor: {cpuName(5), cpuName(1), cpuName(0)}}
	svg := string(files(t, in)["charts/scaling-1.svg"])
	for name, class := range map[string]string{cpuName(1): "f-s1", cpuName(0): "f-s2"} {
		before, _, found := strings.Cut(svg, ">"+name+"<")
		i := strings.LastIndex(before, "f-s")
		if !found || i < 0 || !strings.HasPrefix(before[i:], class) {
			t.Errorf("%s is not drawn in %s", name, class)
		}
	}
}

// What is to be known of every cell is said once, above the table, and not at each of them.
func TestWhatHoldsForEveryCellIsSaidOnce(t *testing.T) {
	in := campaign(1, 2, 2, 1)
	for i := range in.Passes {
		delete(in.Passes[i].Tags, record.TagScene)
	}
	in.Cells = nil
	page := html.UnescapeString(string(files(t, in)["index.html"]))
	if n := strings.Count(page, `no tag "scene"`); n != 1 || !strings.Contains(page, `For every cell: the passes have no tag "scene"`) {
		t.Errorf("said %d times", n)
	}
}
