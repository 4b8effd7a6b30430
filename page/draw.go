package page

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"time"

	"capd.example/control"
	"capd.example/internal/text"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/report/chart"
)

//go:embed page.html
var pageText string

//go:embed page.css
var pageCSS string

//go:embed page.js
var pageScript string

// pairScript sends the code of the address, which a browser sends nobody by itself, and takes it
// out of the browser's history.
//
//go:embed pair.js
var pairScript string

var (
	style = chart.Variables() + tints() + pageCSS
	// chartStyle is for the pages with charts.
	chartStyle = chart.CSS()

	// policy lets a browser use what stands in the page itself and nothing else. A word from
	// outside that were taken for script would not be run.
	policy = "default-src 'none'; script-src " + hash(pageScript) + " " + hash(pairScript) +
		"; style-src " + hash(style) + " " + hash(chartStyle) + "; connect-src 'self'; img-src data:; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

	// build tells the page of this program from that of another.
	build = func() string {
		sum := sha256.Sum256([]byte(pageText + style + pageScript))
		return hex.EncodeToString(sum[:6])
	}()
)

func hash(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// leastContrast of text is that of WCAG 2.2, success criterion 1.4.3.
const leastContrast = 4.5

// tints gives the states of fields and the verdicts the colours of the report's maps.
func tints() string {
	var b bytes.Buffer
	for _, t := range []struct {
		class string
		value float64
	}{
		{"td.h,b.h", 0.3}, {"td.d,b.d", 0.65}, {"td.b,b.b", -0.6}, {"td.s,b.s", math.NaN()},
		{".clean", 1}, {".bad", -1}, {".doubtful", -0.5}, {".unverified", math.NaN()},
	} {
		fill, on := chart.Tint(t.value)
		if chart.Contrast(fill, on) < leastContrast {
			on = "#000"
		}
		fmt.Fprintf(&b, "%s{background:%s;color:%s}", t.class, fill, on)
	}
	return b.String()
}

// marks tell verdicts apart by form, too.
var marks = map[record.Verdict]template.HTML{
	record.Clean:           template.HTML(chart.Mark(chart.Circle)),
	record.VerdictBad:      template.HTML(chart.Mark(chart.Square)),
	record.VerdictDoubtful: template.HTML(chart.Mark(chart.Triangle)),
	record.Unverified:      template.HTML(chart.Mark(chart.Diamond)),
}

var pages = template.Must(template.New("page").Funcs(template.FuncMap{
	"mark":   func(v record.Verdict) template.HTML { return marks[v] },
	"count":  record.Count,
	"fps":    func(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) },
	"clock":  func(t time.Time) string { return t.Local().Format("15:04") },
	"moment": func(t time.Time) string { return t.Local().Format("2006-01-02 15:04") },
	"milli":  time.Time.UnixMilli,
	"path":   url.PathEscape,
	"most":   func() int { return mostWhy },
	"order": func(verb control.Verb, label string) button {
		return button{control.Order{Verb: verb}, label}
	},
	"seen": func(alert, label string) button {
		return button{control.Order{Verb: control.VerbAck, Alert: alert}, label}
	},
	"steer": func(verb control.Verb, label string, cell int, key, current string) button {
		return button{control.Order{Verb: verb, Cell: cell, Key: key, Current: current}, label}
	},
}).Parse(pageText))

// button is an order that needs no more than to be pressed.
type button struct {
	control.Order
	Label string
}

// document is one whole page.
type document struct {
	Title  string
	Build  string
	Style  template.CSS
	Charts template.CSS // "" where there is none
	Script template.JS  // "" where the page does not change
	At     time.Time
	Body   any
	Kind   string // which template makes its main part
	Open   bool   // other machines can open the page
	Device string // that looks, where it is paired
	Orders bool   // a paired device may give orders
}

// draw makes a whole document around the main part of a kind.
func (s *Server) draw(c caller, kind, title string, body any) ([]byte, error) {
	d := document{Title: title, Build: build, Style: template.CSS(style), Kind: kind, Body: body, At: time.Now(),
		Open: s.open(), Orders: s.o.Order != nil}
	if c.paired {
		d.Device = c.device.Name
	}
	switch kind {
	case "now":
		d.Script = template.JS(pageScript)
	case "pair":
		d.Script = template.JS(pairScript)
	case "pass", "cell":
		d.Charts = template.CSS(chartStyle)
	}
	return execute("document", d)
}

// open reports whether other machines can reach the page.
func (s *Server) open() bool {
	at, err := netip.ParseAddrPort(s.o.Listen)
	return err == nil && !at.Addr().IsLoopback()
}

// mayOrder reports whether who asks may give orders, and so is shown buttons.
func (s *Server) mayOrder(r *http.Request) bool { return s.o.Order != nil && callerIn(r).paired }

// drawn makes the main part of how things stand.
func drawn(v view.Bench) ([]byte, error) { return execute("now", v) }

func drawnReadings(list []view.Fact) ([]byte, error) { return execute("readings", list) }

// execute fills a template. Words from outside come out as text; what would hide or turn
// round what is read is replaced.
func execute(name string, data any) ([]byte, error) {
	var b bytes.Buffer
	if err := pages.ExecuteTemplate(&b, name, data); err != nil {
		return nil, fmt.Errorf("draw the page: %w", err)
	}
	return []byte(text.Lines(b.String())), nil
}

func (s *Server) now(w http.ResponseWriter, r *http.Request) {
	v := s.o.Source.Now(r.Context())
	title := v.Bench
	if len(v.Passes) > 0 {
		title = string(v.Passes[0].Verdict) + " – " + v.Bench
	}
	v.Orders = s.mayOrder(r)
	s.answer(w, r, "now", title, v, nil)
}

func (s *Server) pass(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if !isID(id) {
		s.answer(w, r, "", "", nil, view.ErrNone)
		return
	}
	v, err := s.o.Source.Pass(r.Context(), id)
	v.Orders = s.mayOrder(r)
	s.answer(w, r, "pass", "pass "+id+" – "+v.Bench, v, err)
}

func isID(s string) bool {
	for _, r := range s {
		if (r < '0' || r > '9') && (r < 'a' || r > 'f') {
			return false
		}
	}
	return len(s) >= 8 && len(s) <= 64
}

func (s *Server) cell(w http.ResponseWriter, r *http.Request) {
	n, err := strconv.Atoi(r.PathValue("n"))
	if err != nil || n < 1 {
		s.answer(w, r, "", "", nil, view.ErrNone)
		return
	}
	v, err := s.o.Source.Cell(r.Context(), n)
	v.Orders = s.mayOrder(r)
	s.answer(w, r, "cell", fmt.Sprintf("cell %d – %s", n, v.Bench), v, err)
}

func (s *Server) station(w http.ResponseWriter, r *http.Request) {
	v, err := s.o.Source.(view.Stations).Station(r.Context(), r.PathValue("name"))
	s.answer(w, r, "bench", v.Bench, v, err)
}

// most of a query that is looked at.
const mostLevels = 20

func (s *Server) part(w http.ResponseWriter, r *http.Request) {
	only := map[string]string{}
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil || len(query) > mostLevels {
		s.answer(w, r, "", "", nil, view.ErrNone)
		return
	}
	for name, values := range query {
		only[name] = values[0]
	}
	v, err := s.o.Source.Map(r.Context(), only)
	s.answer(w, r, "part", v.Name+" – "+v.Bench, v, err)
}

// answer sends a page, or says why there is none.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, kind, title string, body any, err error) {
	switch {
	case errors.Is(err, view.ErrNone):
		refuse(w, http.StatusNotFound, "There is no such page. Go back to the beginning: /")
	case err != nil:
		refuse(w, http.StatusInternalServerError, "This cannot be shown now: "+err.Error())
	default:
		s.send(w, r, http.StatusOK, kind, title, body)
	}
}

// send sends a page.
func (s *Server) send(w http.ResponseWriter, r *http.Request, status int, kind, title string, body any) {
	html, err := s.draw(callerIn(r), kind, title, body)
	if err != nil {
		refuse(w, http.StatusInternalServerError, "This cannot be shown now: "+err.Error())
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(len(html)))
	w.WriteHeader(status)
	w.Write(html) // whoever asked may be gone by now
}
