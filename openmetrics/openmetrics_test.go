package openmetrics

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"capd.example/control"
	"capd.example/internal/testlab"
	"capd.example/record"
)

// full is an agent in which everything has happened.
func full() *Metrics {
	m := New("v1.2.3", time.Unix(1000, 0))
	m.Set(State{Growing: 1, Waiting: 2, Recording: true, Troubles: 1, StoreBytes: 4096, Cells: map[string]int{"done": 3, "open": 5}, PassesDone: 9, Planned: 24, PassesLeft: 15, HoursLeft: 1.5})
	for i := range 10_000 { // passes of a store, with checks of the user's own and names that are none
		p := record.Pass{ID: fmt.Sprint(i), Bench: "b", Log: fmt.Sprintf("/logs/%d", i), Verdict: verdicts[i%4], Tags: record.Tags{"game": {Value: fmt.Sprint("Game ", i%300)}}}
		for k := range 3 {
			p.Findings = append(p.Findings, record.Finding{Check: fmt.Sprintf("check-%d", (i+k)%100), Outcome: outcomes[(i+k)%4]})
		}
		p.Findings = append(p.Findings, record.Finding{Check: "Evil\"\n" + fmt.Sprint(i), Outcome: record.Bad})
		m.Count(control.Event{Kind: control.KindPass, At: time.Unix(2000, 0), Pass: &p})
	}
	m.Count(control.Event{Kind: control.KindAlert})
	m.Count(control.Event{Kind: control.KindPass, Pass: &record.Pass{Verdict: "odd"}}) // not a verdict
	return m
}

func scrape(t *testing.T, m *Metrics, accept string) string {
	t.Helper()
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", accept)
	m.Handler().ServeHTTP(w, r)
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	return w.Body.String()
}

func TestFigures(t *testing.T) {
	text := scrape(t, full(), "")
	for _, line := range []string{
		`capd_build_info{version="v1.2.3"} 1`, `capd_start_time_seconds 1000`, `capd_verdicts_total{verdict="bad"} 2500`, `capd_last_verdict{verdict="bad"} 1`, `capd_last_verdict{verdict="clean"} 0`,
		`capd_last_verdict_timestamp_seconds 2000`, `capd_findings_total{check="other",outcome="bad"}`, `capd_alerts_total 1`, `capd_logs_growing 1`, `capd_logs_waiting 2`, `capd_recording 1`,
		`capd_paused 0`, `capd_troubles 1`, `capd_store_bytes 4096`, `capd_campaign_cells{state="done"} 3`, `capd_campaign_cells{state="failed"} 0`, `capd_campaign_passes_done 9`,
		`capd_campaign_passes_planned 24`, `capd_campaign_passes_left 15`, `capd_campaign_left_seconds 5400`,
	} {
		if !strings.Contains(text, "\n"+line) {
			t.Errorf("%s is missing", line)
		}
	}
	for _, name := range []string{"Game", "/logs/", "Evil", "odd"} {
		if strings.Contains(text, name) {
			t.Errorf("%q is in it", name)
		}
	}
	if text := scrape(t, New("v", time.Unix(1, 0)), ""); strings.Contains(text, "campaign") {
		t.Error("figures of a campaign without one")
	}
}

// However many passes, games and checks there are, the series are few.
func TestFewSeries(t *testing.T) {
	n := 0
	for line := range strings.Lines(scrape(t, full(), "")) {
		if !strings.HasPrefix(line, "#") {
			n++
		}
	}
	if n > Most || n < 120 {
		t.Errorf("%d series", n)
	}
	t.Logf("%d series", n)
}

// The rules of Prometheus's own lint, as a library and as its program.
func TestNamesAreInOrder(t *testing.T) {
	m := full()
	problems, err := testutil.GatherAndLint(m.registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	if text := scrape(t, m, "application/openmetrics-text; version=1.0.0"); !strings.HasSuffix(text, "# EOF\n") || !strings.Contains(text, "# TYPE capd_verdicts counter\n") {
		t.Errorf("no OpenMetrics: %.300q", text)
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("no promtool on this machine (Debian's package prometheus)")
	}
	c := exec.Command(promtool, "check", "metrics")
	c.Stdin = bytes.NewBufferString(scrape(t, m, ""))
	if out, err := c.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool: %v\n%s", err, out)
	}
}

// The examples for a lab name series that there are, and Prometheus takes the rules.
func TestExamples(t *testing.T) {
	text := scrape(t, full(), "")
	for _, file := range []string{"alerts.yml", "dashboard.json", "../page.md"} {
		example, err := os.ReadFile(filepath.Join(testlab.Root(), "docs", "monitoring", file))
		if err != nil {
			t.Fatal(err)
		}
		names := regexp.MustCompile(`capd_[a-z0-9_]+`).FindAllString(string(example), -1)
		if len(names) < 5 {
			t.Errorf("%s names only %q", file, names)
		}
		for _, n := range names {
			if !strings.Contains(text, "# TYPE "+n+" ") {
				t.Errorf("%s: there is no series %s", file, n)
			}
		}
		if filepath.Ext(file) == ".json" && !json.Valid(example) {
			t.Errorf("%s is no JSON", file)
		}
	}
	for line := range strings.Lines(text) { // every series is documented
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok {
			name, _, _ = strings.Cut(name, " ")
			doc, _ := os.ReadFile(filepath.Join(testlab.Root(), "docs", "page.md"))
			if short := strings.TrimPrefix(name, "capd_campaign_passes"); !strings.Contains(string(doc), name) && !strings.Contains(string(doc), "`..."+short) {
				t.Errorf("docs/page.md does not say what %s is", name)
			}
		}
	}
	promtool, err := exec.LookPath("promtool")
	if err != nil {
		t.Skip("no promtool on this machine (Debian's package prometheus)")
	}
	if out, err := exec.Command(promtool, "check", "rules", filepath.Join(testlab.Root(), "docs", "monitoring", "alerts.yml")).CombinedOutput(); err != nil {
		t.Errorf("promtool: %v\n%s", err, out)
	}
}

// What moves after a scrape is in the next one, whatever format that asks for.
func TestEveryScrapeIsNew(t *testing.T) {
	m := New("v", time.Unix(1, 0))
	for i := range 3 {
		m.Set(State{Waiting: i})
		for _, accept := range []string{"", "application/openmetrics-text; version=1.0.0", ""} {
			if text := scrape(t, m, accept); !strings.Contains(text, fmt.Sprintf("\ncapd_logs_waiting %d", i)) || strings.HasSuffix(text, "# EOF\n") != (accept != "") {
				t.Errorf("%d, %q: %.200q", i, accept, text)
			}
		}
		m.Count(control.Event{Kind: control.KindAlert})
		if text := scrape(t, m, ""); !strings.Contains(text, fmt.Sprintf("\ncapd_alerts_total %d", i+1)) {
			t.Errorf("%d: %.200q", i, text)
		}
	}
}

// Nothing is asked while somebody scrapes, and no scrape costs much.
func BenchmarkScrape(b *testing.B) {
	h := full().Handler()
	for b.Loop() {
		h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/metrics", nil))
	}
}

// A reading of how things stand, or why there is none.
type reading struct {
	s   State
	err error
}

// The gauges follow what other programs do to the store at each tick, stay where nothing can be
// said, and nothing is asked at a tick while a log is recorded.
func TestGaugesFollowWhatNobodyTells(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	m, hub, tick, said := New("v1", time.Now()), &control.Hub{}, make(chan time.Time), make(chan reading)
	ended := make(chan bool)
	go func() {
		defer close(ended)
		m.Run(ctx, hub, tick, func(context.Context) (State, error) { r := <-said; return r.s, r.err })
	}()
	settled := func() { tick <- time.Time{} } // taken only after the reading before it is set
	expect := func(line string) {
		t.Helper()
		if text := scrape(t, m, ""); !strings.Contains(text, line+"\n") {
			t.Errorf("no %q in %s", line, text)
		}
	}
	said <- reading{s: State{Undelivered: 2, Troubles: 1}}
	settled()
	expect("capd_alerts_undelivered 2")
	said <- reading{err: errors.New("the agent does not answer")}
	settled()
	expect("capd_alerts_undelivered 2")
	expect("capd_troubles 1")
	said <- reading{s: State{Cells: map[string]int{"open": 3}, PassesLeft: 7, Recording: true}}
	settled() // while a log is recorded
	settled() // asks nothing: the first would hold up the second
	expect("capd_alerts_undelivered 0")
	expect("capd_campaign_passes_left 7")
	hub.Publish(control.Event{Kind: control.KindState})
	said <- reading{s: State{Cells: map[string]int{"open": 3}, PassesLeft: 5}}
	settled()
	expect("capd_campaign_passes_left 5")
	said <- reading{}
	stop()
	<-ended
}
