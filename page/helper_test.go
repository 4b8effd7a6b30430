package page

import (
	"context"
	"html/template"
	"net/http"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"capd.example/config"
	"capd.example/control"
	"capd.example/page/view"
	"capd.example/record"
	"capd.example/report/chart"
)

// hostile is what somebody may call a game.
const hostile = `<img src=x onerror=alert(1)>"'{{.}}` + "\u202e\u0007\x1b]0;t\x07</script><script>alert(2)</script>"

// invented is a bench that shows what it is told to.
type invented struct {
	mu   sync.Mutex
	v    view.Bench
	asks int
}

func (s *invented) Now(context.Context) view.Bench {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asks++
	v := s.v
	v.Passes = slices.Clone(v.Passes)
	return v
}

func (s *invented) set(fn func(*view.Bench)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	fn(&s.v)
}

func (s *invented) asked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.asks
}

func (s *invented) Readings(context.Context) []view.Fact {
	return []view.Fact{{Name: "processor", Value: "64 °C, 38 %"}, {Name: "card", Value: "71 °C, 97 %, 2450 MHz"}}
}

func (s *invented) Pass(_ context.Context, id string) (view.FullPass, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.v.Passes {
		if p.ID == id {
			ms := make([]float64, 5000)
			for i := range ms {
				ms[i] = 9 + float64(i%7)/3
			}
			ms[2000] = 80
			c := chart.Trace("trace", "Frame times of pass "+id, "", ms)
			return view.FullPass{Pass: p, Bench: s.v.Bench, Began: p.At, Log: p.Name, Cell: 3, Seen: "s" + string(p.Verdict),
				Findings: []record.Finding{{Check: "hitches", Outcome: record.Bad, Reason: p.Why, Advice: p.Advice}, {Check: "thermal", Outcome: record.OK, Reason: "69 °C at most"}},
				Figures:  []view.Fact{{Name: "average", Value: "97.3 FPS"}}, Tags: []view.Fact{{Name: "game", Value: p.Name + " (path)"}},
				Charts: []view.Drawn{{Desk: template.HTML(c.InPage().SVG("trace", false)), Phone: template.HTML(c.OnPhone().SVG("trace-narrow", false))}}}, nil
		}
	}
	return view.FullPass{}, view.ErrNone
}

func (s *invented) Cell(_ context.Context, n int) (view.Cell, error) {
	if n > 3 {
		return view.Cell{}, view.ErrNone
	}
	return view.Cell{Bench: "bench-1", Number: n, Key: "c" + strconv.Itoa(n), Cells: 3, Name: hostile, State: "1 of 3 passes good", Passes: s.Now(context.Background()).Passes}, nil
}

func (s *invented) Map(_ context.Context, only map[string]string) (view.Part, error) {
	if only["game"] == "" {
		return view.Part{}, view.ErrNone
	}
	return view.Part{Bench: "bench-1", Name: only["game"], Map: s.Now(context.Background()).Plan.Map}, nil
}

func (s *invented) Said(e control.Event) (view.Say, bool) {
	bad := e.Kind == control.KindAlert || e.Pass != nil && e.Pass.Verdict == record.VerdictBad
	return view.Say{Text: e.Text, Bad: bad, GoOn: !bad && e.Pass != nil}, e.Text != ""
}

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// matrix is a map of so many rows and columns.
func matrix(rows, columns int, link bool) view.Map {
	m := view.Map{Caption: "Coverage", Corner: "cpu / gpu"}
	states := []view.State{view.Done, view.Done, view.Begun, view.Failed, view.Skipped, view.Open, view.Open}
	text := map[view.State]string{view.Done: "3", view.Begun: "1", view.Failed: "2×", view.Skipped: "–", view.Open: "0"}
	var outer, inner []view.Head
	for c := range columns {
		if c%2 == 0 {
			outer = append(outer, view.Head{Name: []string{"1080p", "1440p", "2160p"}[c/2%3], Span: 2})
		}
		inner = append(inner, view.Head{Name: []string{"medium", "high"}[c%2], Span: 1})
	}
	m.Heads = [][]view.Head{outer, inner}
	for r := range rows {
		row := view.Row{Name: []string{"Copper Drift", "Salt Flats", "Nine Terraces of the Northern Sea"}[r%3]}
		if r%3 == 0 {
			row.Group = "Ostrava 7700 / Lantern 60"
		}
		for c := range columns {
			s := states[(r*c+r)%len(states)]
			f := view.Field{State: s, Text: text[s], Now: r == 1 && c == 1}
			if link {
				f.Link = "/cell/" + strconv.Itoa(r*columns+c+1)
			}
			row.Fields = append(row.Fields, f)
		}
		m.Rows = append(m.Rows, row)
	}
	return m
}

// bench is a bench on an ordinary day.
func bench() *invented {
	s := &invented{v: view.Bench{Bench: "bench-1", Version: "v1.2.3",
		Recording: &view.Recording{Log: "Copper Drift/1080p-high/pass3.csv", Since: noon},
		Parts:     []view.Fact{{Name: "processor", Value: "Ostrava 7700"}, {Name: "graphics card", Value: "Lantern 60"}, {Name: "driver", Value: "31.4.2"}, {Name: "memory", Value: "32 GiB"}},
		Plan: &view.Plan{Name: "spring matrix", Where: "cell 3 of 96", Cell: 3, Key: "c3", Next: "Ostrava 7700 / Lantern 60 / Copper Drift / 1080p / high", Pass: 3, Advice: "repeat pass 3", Done: 2, Wanted: 3,
			Ahead:  []view.Ahead{{Cell: 4, Change: "set preset to medium", Passes: 3}, {Cell: 9, Change: "put in Lantern 40", Passes: 2}},
			Passes: 200, Left: "2.3 working days", Total: 288, Have: 88, Map: matrix(8, 6, true)},
		Alerts: []view.Alert{{ID: "a", Text: "CHANGED bench bench-1 has changed: graphics.0.driver was 31.4.1, is 31.4.2", Advice: "if you did not mean this, put it back", At: noon}}, MoreAlerts: 3,
	}}
	for i, verdict := range []record.Verdict{record.Clean, record.VerdictBad, record.VerdictDoubtful, record.Unverified, record.Clean} {
		p := view.Pass{ID: "0a1b2c3d4e5" + strconv.Itoa(i), Number: strconv.Itoa(i%3 + 1), Name: "Copper Drift / Terrace / 1080p / high", Parts: "Ostrava 7700 / Lantern 60",
			Verdict: verdict, FPS: 97.3, Low1: 71.2, At: noon}
		if verdict != record.Clean {
			p.Why, p.Advice = "the picture stood still for 1.40 s at 3.0 s (hitches)", "repeat the pass"
		}
		s.v.Passes = append(s.v.Passes, p)
	}
	return s
}

// serving starts a page and returns it with the end of it.
func serving(t *testing.T, src view.Source, change ...func(*Server)) *Server {
	t.Helper()
	leaks := goleak.IgnoreCurrent()
	s, err := Listen(t.Context(), Options{Page: config.Page{Listen: "127.0.0.1:0"}, Source: src, Events: &control.Hub{}})
	if err != nil {
		t.Fatal(err)
	}
	for _, fn := range change {
		fn(s)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		http.DefaultClient.CloseIdleConnections()
		goleak.VerifyNone(t, leaks)
	})
	return s
}

// get asks a page without a network.
func get(s *Server, path string, change ...func(*http.Request)) *httptest.ResponseRecorder {
	r := httptest.NewRequest("GET", path, nil)
	r.Host, r.RemoteAddr = "127.0.0.1:8470", "127.0.0.1:5000"
	for _, fn := range change {
		fn(r)
	}
	w := httptest.NewRecorder()
	s.handler().ServeHTTP(w, r)
	return w
}

func handled(src view.Source, names ...string) *Server {
	return newServer(Options{Source: src, Page: config.Page{Listen: "127.0.0.1:8470", Names: names}, Events: &control.Hub{}})
}

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

func host(name string) func(*http.Request) { return func(r *http.Request) { r.Host = name } }

func contains(t *testing.T, where, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("%s: %q is not in %.600q", where, p, text)
		}
	}
}
