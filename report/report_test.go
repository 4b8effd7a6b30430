package report_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"capd.example/analysis"
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
	for _, want := range []string{"Nine cards on four processors", "no temperature was read", "6000 MT/s", "unknown: refused", "Schuirmann", "EUR", "2026-03-01"} {
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
	if strings.Contains(page, "<script") || strings.Contains(page, "http://") && !onlyNamespace(page) || strings.Contains(page, "https://") {
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
			if err != nil || !strings.HasSuffix(path, "-1920x1080.png") && img.Width != 3840 || strings.HasSuffix(path, "-1920x1080.png") && (img.Width != 1920 || img.Height != 1080) {
				t.Errorf("%s: %+v %v", path, img, err)
			}
		}
	}
	if svgs < 6 || pngs != 4 {
		t.Errorf("%d SVG, %d PNG", svgs, pngs)
	}
}

// The data package describes what is there (Frictionless Data Package v1: specs.frictionlessdata.io).
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
	if err := json.Unmarshal(f["datapackage.json"], &p); err != nil || p.Profile != "tabular-data-package" || len(p.Resources) != 10 {
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
	in.Systems["system00"] = record.System{ID: evil, Fields: []record.Field{{Name: evil, Value: evil, Unit: evil, Source: evil}}}
	in.Traces = []report.Trace{{Pass: in.Passes[0], MS: []float64{5, 6, 5}}}
	f := files(t, in)
	keep(t, "injection", f)
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
	dear.Prices, dear.PriceBy = []analysis.Price{{Part: "x", Amount: 1}}, "colour"
	if _, err := report.Build(dear); err == nil {
		t.Error("prices of a factor that is none")
	}
}

// BenchmarkReport makes the report of 1,000 cells of three passes, pictures included.
func BenchmarkReport(b *testing.B) {
	in := campaign(5, 8, 25, 1)
	in.Pictures = 8
	b.ReportAllocs()
	for b.Loop() {
		r, err := report.Build(in)
		if err != nil {
			b.Fatal(err)
		}
		if len(r.Cells) != 1000 {
			b.Fatalf("%d cells", len(r.Cells))
		}
		if err := r.Files(func(string, []byte) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
