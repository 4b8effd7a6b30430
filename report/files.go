package report

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"sync"
)

// Files hands out every file of the report by its path below the report's folder, in a
// fixed order, and stops at the first error of put. The last is the description of the
// data package, which also lists the charts.
func (r *Report) Files(put func(path string, data []byte) error) error {
	page, err := r.html()
	if err != nil {
		return err
	}
	if err := put("index.html", page); err != nil {
		return err
	}
	var list []Drawn
	drawn := func(path string, data []byte) error {
		list = append(list, Drawn{path, fmt.Sprintf("%x", sha256.Sum256(data))})
		return put(path, data)
	}
	for _, ch := range r.charts {
		if err := drawn("charts/"+ch.Name+".svg", []byte(ch.Wide().SVG(ch.Name, true))); err != nil {
			return err
		}
	}
	if err := r.pictures(drawn); err != nil {
		return err
	}
	return r.dataPackage(list, put)
}

// Drawn is a file of a chart as the description of a report lists it.
type Drawn struct {
	Path   string `json:"path"` // below the report's folder
	SHA256 string `json:"sha256"`
}

// packageName tells our descriptions from others.
const packageName = "bench-report"

// chartFile is how files of charts are named.
var chartFile = regexp.MustCompile(`^charts/(rates|scaling|margins|coverage|trace|distribution)[a-z0-9-]*\.(svg|png)$`)

// tableFile is how files of tables are named.
var tableFile = regexp.MustCompile(`^data/[a-z0-9_-]+\.csv$`)

// Description is the file of a report that names the others.
const Description = "datapackage.json"

// WrittenBefore returns which files the description of an earlier report says that it
// wrote. It is empty for any other text.
func WrittenBefore(description []byte) map[string]bool {
	var d struct {
		Name      string `json:"name"`
		Resources []struct {
			Path string `json:"path"`
		} `json:"resources"`
	}
	if json.Unmarshal(description, &d) != nil || d.Name != packageName {
		return nil
	}
	out := map[string]bool{Description: true, "index.html": true}
	for _, f := range DrawnBefore(description) {
		out[f.Path] = true
	}
	for _, r := range d.Resources {
		if tableFile.MatchString(r.Path) {
			out[r.Path] = true
		}
	}
	return out
}

// DrawnBefore returns the charts that the description (datapackage.json) of an earlier
// report lists. It is empty for any other text; no path in it leads out of the folder
// charts.
func DrawnBefore(description []byte) []Drawn {
	var d struct {
		Name   string  `json:"name"`
		Charts []Drawn `json:"charts"`
	}
	if json.Unmarshal(description, &d) != nil || d.Name != packageName {
		return nil
	}
	return slices.DeleteFunc(d.Charts, func(f Drawn) bool { return !chartFile.MatchString(f.Path) })
}

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
				c := ch.Wide()
				for k, size := range []string{"1920x1080", "3840x2160"} {
					data, err := c.PNG(float64(k+1), false)
					done[i][k] = picture{"charts/" + ch.Name + "-" + size + ".png", data, err}
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

// dataPackage writes CSV files and their description (Frictionless Data Package, version
// 1).
func (r *Report) dataPackage(charts []Drawn, put func(string, []byte) error) error {
	type entryField struct {
		Name  string `json:"name"`
		Type  string `json:"type"`
		About string `json:"description,omitempty"`
	}
	type schema struct {
		Fields  []entryField `json:"fields"`
		Missing []string     `json:"missingValues"`
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
	for _, table := range r.tables() {
		t := table()
		data, err := t.CSV()
		if err != nil {
			return err
		}
		e := entry{t.Name, "data/" + t.Name + ".csv", "tabular-data-resource", t.About, "csv", "text/csv", "utf-8",
			len(data), schema{Missing: []string{""}}}
		for _, c := range t.Columns {
			e.Schema.Fields = append(e.Schema.Fields, entryField{c.Name, c.Kind, c.About})
		}
		if err := put(e.Path, data); err != nil {
			return err
		}
		entries = append(entries, e)
	}
	described := map[string]any{
		"name": packageName, "title": r.in.Title, "profile": "tabular-data-package", "created": r.in.At.UTC().
			Format("2006-01-02T15:04:05Z"),
		"description": "The numbers behind the report. An apostrophe in front of a text keeps spreadsheets from taking it for a formula.",
		"resources":   entries, "charts": charts}
	if len(r.in.Selection) > 0 {
		described["selection"] = r.in.Selection
	}
	text, err := json.MarshalIndent(described, "", "  ")
	if err != nil {
		return fmt.Errorf("describe data package: %w", err)
	}
	return put(Description, append(text, '\n'))
}
