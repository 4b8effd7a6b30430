package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"capd.example/analysis"
)

// Files hands out every file of the report by its path below the report's folder, in a
// fixed order, and stops at the first error of put.
func (r *Report) Files(put func(path string, data []byte) error) error {
	page, err := r.html()
	if err != nil {
		return err
	}
	if err := put("index.html", page); err != nil {
		return err
	}
	for _, ch := range r.charts {
		if err := put("charts/"+ch.name+".svg", []byte(ch.wide().svg(ch.name, true))); err != nil {
			return err
		}
	}
	if err := r.pictures(put); err != nil {
		return err
	}
	return r.dataPackage(put)
}

// wide draws the chart for a video frame of 1920 x 1080.
func (ch chart) wide() *canvas { return ch.render(1920, 1080, 26) }

// pictures draws PNG files, two charts at once: a picture of 3840 x 2160 takes 33 MB while
// it is drawn.
func (r *Report) pictures(put func(string, []byte) error) error {
	type picture struct {
		path string
		data []byte
		err  error
	}
	const atOnce = 2
	charts := r.charts[:max(0, min(len(r.charts), r.in.Pictures))]
	for first := 0; first < len(charts); first += atOnce {
		some := charts[first:min(len(charts), first+atOnce)]
		done := make([][2]picture, len(some))
		var wg sync.WaitGroup
		for i, ch := range some {
			wg.Go(func() {
				c := ch.wide()
				for k, size := range []string{"1920x1080", "3840x2160"} {
					data, err := c.png(float64(k+1), false)
					done[i][k] = picture{"charts/" + ch.name + "-" + size + ".png", data, err}
				}
			})
		}
		wg.Wait()
		for _, pair := range done {
			for _, p := range pair {
				if p.err != nil {
					return p.err
				}
				if err := put(p.path, p.data); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// column is one column of a resource of the data package.
type column struct {
	name, kind, about string // kind: string, number or integer
}

type resource struct {
	name, about string
	columns     []column
	rows        [][]string
}

// dataPackage writes CSV files and their description (Frictionless Data Package, version
// 1). An empty cell of a number is "not defined". A text that a spreadsheet would take for
// a formula has an apostrophe in front (OWASP, "CSV Injection").
func (r *Report) dataPackage(put func(string, []byte) error) error {
	type field struct {
		Name  string `json:"name"`
		Type  string `json:"type"`
		About string `json:"description,omitempty"`
	}
	type schema struct {
		Fields  []field  `json:"fields"`
		Missing []string `json:"missingValues"`
	}
	type entry struct {
		Name     string `json:"name"`
		Path     string `json:"path"`
		Profile  string `json:"profile"`
		About    string `json:"description"`
		Format   string `json:"format"`
		Media    string `json:"mediatype"`
		Encoding string `json:"encoding"`
		Bytes    int    `json:"bytes"`
		Schema   schema `json:"schema"`
	}
	var entries []entry
	for _, res := range []resource{r.cellTable(), r.passTable(), r.findingTable(), r.marginTable(), r.limitTable()} {
		data, err := res.csv()
		if err != nil {
			return err
		}
		e := entry{res.name, "data/" + res.name + ".csv", "tabular-data-resource", res.about, "csv", "text/csv", "utf-8", len(data), schema{Missing: []string{""}}}
		for _, c := range res.columns {
			e.Schema.Fields = append(e.Schema.Fields, field{c.name, c.kind, c.about})
		}
		if err := put(e.Path, data); err != nil {
			return err
		}
		entries = append(entries, e)
	}
	text, err := json.MarshalIndent(map[string]any{
		"name": "bench-report", "title": r.in.Title, "profile": "tabular-data-package", "created": r.in.At.UTC().Format("2006-01-02T15:04:05Z"),
		"description": "The numbers behind the report. An apostrophe in front of a text keeps spreadsheets from taking it for a formula.",
		"resources":   entries}, "", "  ")
	if err != nil {
		return fmt.Errorf("describe data package: %w", err)
	}
	return put("datapackage.json", append(text, '\n'))
}

func (t resource) csv() ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	head := make([]string, len(t.columns))
	for i, c := range t.columns {
		head[i] = c.name
	}
	rows := append([][]string{head}, t.rows...)
	for i, row := range rows {
		for j := range row {
			if i == 0 || t.columns[j].kind == "string" {
				row[j] = safe(row[j])
			}
		}
		if err := w.Write(row); err != nil {
			return nil, fmt.Errorf("write %s: %w", t.name, err)
		}
	}
	w.Flush()
	return b.Bytes(), w.Error()
}

func safe(s string) string {
	s = strings.ReplaceAll(s, "\r", " ")
	if s != "" && strings.ContainsRune("=+-@\t\n", rune(s[0])) {
		return "'" + s
	}
	return s
}

func value(x float64) string {
	if !analysis.Number(x).Known() {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func (r *Report) factorColumns() []column {
	var out []column
	for _, f := range r.factors {
		out = append(out, column{f, "string", "factor"})
	}
	return out
}

func (r *Report) factorValues(v map[string]string) []string {
	var out []string
	for _, f := range r.factors {
		out = append(out, v[f])
	}
	return out
}

func (r *Report) cellTable() resource {
	t := resource{name: "cells", about: "One row per cell: means of the passes that count, with 95 % intervals on logarithms", columns: r.factorColumns()}
	t.columns = append(t.columns, column{"passes", "string", "identities of the passes that count"}, column{"left_out", "string", "passes that do not, and why"}, column{"agree", "string", "outcome of the agreement of passes"})
	for _, m := range analysis.Metrics {
		t.columns = append(t.columns, column{m.Name + "_mean", "number", m.Text}, column{m.Name + "_sd", "number", "sample standard deviation"},
			column{m.Name + "_ci_low", "number", ""}, column{m.Name + "_ci_high", "number", ""}, column{m.Name + "_shown", "string", "mean or median"})
	}
	for _, c := range r.Cells {
		row := r.factorValues(c.Factors)
		var used, out []string
		for _, u := range c.Passes.Used {
			used = append(used, u.ID)
		}
		for _, l := range c.Passes.LeftOut {
			out = append(out, l.ID+": "+l.Why)
		}
		row = append(row, strings.Join(used, " "), strings.Join(out, "; "), string(c.Agree.Outcome))
		for _, m := range analysis.Metrics {
			f := c.Figure(m.Name)
			row = append(row, value(float64(f.Mean)), value(float64(f.SD)), value(float64(f.CILow)), value(float64(f.CIHigh)), f.Shown)
		}
		t.rows = append(t.rows, row)
	}
	return t
}

func (r *Report) passTable() resource {
	t := resource{name: "passes", about: "One row per pass", columns: append([]column{{"id", "string", ""}, {"sha256", "string", "of the log's bytes"}, {"log", "string", "path"},
		{"bench", "string", ""}, {"system", "string", ""}, {"started_at", "string", "RFC 3339"}, {"verdict", "string", ""}}, r.factorColumns()...)}
	t.columns = append(t.columns, column{"frames", "integer", ""}, column{"duration_s", "number", "sum of the frame times"})
	for _, m := range analysis.Metrics {
		t.columns = append(t.columns, column{m.Name, "number", m.Text})
	}
	for _, p := range r.in.Passes {
		row := append([]string{p.ID, p.SHA256, p.Log, p.Bench, p.System, p.StartedAt.UTC().Format("2006-01-02T15:04:05.999999Z"), string(p.Verdict)}, r.factorValues(p.Tags.Cell(r.factors))...)
		row = append(row, strconv.Itoa(p.Metrics.Frames), value(p.Metrics.DurationS))
		for _, m := range analysis.Metrics {
			row = append(row, value(m.Of(p.Metrics)))
		}
		t.rows = append(t.rows, row)
	}
	return t
}

func (r *Report) findingTable() resource {
	t := resource{name: "findings", about: "One row per finding", columns: []column{{"pass", "string", ""}, {"check", "string", ""}, {"outcome", "string", ""}, {"reason", "string", ""}}}
	for _, p := range r.in.Passes {
		for _, f := range p.Findings {
			t.rows = append(t.rows, []string{p.ID, f.Check, string(f.Outcome), f.Reason})
		}
	}
	return t
}

func (r *Report) marginTable() resource {
	t := resource{name: "margins", about: "One row per pair of cells that differ in one factor", columns: append([]column{{"by", "string", "factor"}, {"base", "string", ""}, {"value", "string", ""}}, r.factorColumns()...)}
	t.columns = append(t.columns, column{"margin", "number", "relative"}, column{"ci_low", "number", ""}, column{"ci_high", "number", ""}, column{"p_adjusted", "number", ""}, column{"tie_p_adjusted", "number", ""}, column{"call", "string", ""}, column{"reason", "string", ""})
	for _, m := range r.Margins {
		row := append([]string{m.By, m.Base, m.Value}, r.factorValues(m.Factors)...)
		t.rows = append(t.rows, append(row, value(float64(m.Margin)), value(float64(m.CILow)), value(float64(m.CIHigh)), value(float64(m.PHolm)), value(float64(m.PTieHolm)), string(m.Call), m.Reason))
	}
	return t
}

func (r *Report) limitTable() resource {
	t := resource{name: "limits", about: "What limits each cell; predicted cells are marked and not measured", columns: append(r.factorColumns(),
		column{"predicted", "string", "yes or no"}, column{"limit", "string", ""}, column{"avg_fps", "number", ""}, column{"fitted_fps", "number", ""}, column{"share", "number", "of the processor"}, column{"reason", "string", ""})}
	for _, l := range r.Limits {
		t.rows = append(t.rows, append(r.factorValues(l.Factors), "no", string(l.Limit), value(float64(l.FPS)), value(float64(l.Fitted)), value(float64(l.Share)), l.Reason))
	}
	for _, g := range r.Guesses {
		t.rows = append(t.rows, append(r.factorValues(g.Factors), "yes", string(g.Limit), value(float64(g.FPS)), "", value(float64(g.Share)), g.Reason))
	}
	return t
}
