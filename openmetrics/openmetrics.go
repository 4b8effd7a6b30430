// Package openmetrics tells a lab's monitoring what an agent does, in the text formats of
// OpenMetrics and Prometheus.
//
// Nothing is asked when somebody scrapes: what happens moves the figures, and a scrape writes
// down what stands. No label holds the name of a game, a part, a pass or a file, so that a
// campaign of any size makes no more series than a small one; [Most] bounds them all.
package openmetrics

import (
	"bytes"
	"context"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"capd.example/control"
	"capd.example/record"
)

// Most is how many series there are at the most.
const Most = 200

// mostChecks is how many checks have series of their own; validators of the user's bring any
// number. The others are together.
const mostChecks = 30

// otherChecks is their label.
const otherChecks = "other"

// State is how things stand on a bench.
type State struct {
	Growing, Waiting    int // logs
	Recording           bool
	Paused, Missing     bool // the watched folder is missing
	Troubles            int
	Undelivered         int // alerts
	StoreBytes          int64
	Cells               map[string]int // by state; nil without a campaign
	PassesLeft          int
	HoursLeft           float64
	PassesDone, Planned int
}

// CellStates are the states that cells are counted by.
var CellStates = []string{"done", "begun", "failed", "skipped", "open"}

var (
	verdicts = []record.Verdict{record.Clean, record.Unverified, record.VerdictDoubtful, record.VerdictBad}
	outcomes = []record.Outcome{record.OK, record.NotChecked, record.Doubtful, record.Bad}
)

// Metrics are the figures of one agent.
type Metrics struct {
	registry *prometheus.Registry

	verdicts *prometheus.CounterVec
	findings *prometheus.CounterVec
	alerts   prometheus.Counter
	last     *prometheus.GaugeVec
	lastAt   prometheus.Gauge
	gauges   map[string]prometheus.Gauge
	cells    *prometheus.GaugeVec
	plan     []prometheus.Gauge // passes done, planned, left; hours left
	planned  bool               // those of a campaign are registered

	checks []string // with series of their own

	mu     sync.Mutex
	kept   *answer // to the last scrape, nil where something has moved since
	keptAs string  // the formats that it could be in
}

// New makes the figures of an agent of a version that started at a time.
func New(version string, started time.Time) *Metrics {
	m := &Metrics{registry: prometheus.NewRegistry(), gauges: map[string]prometheus.Gauge{}}
	counters := func(name, help string, labels ...string) *prometheus.CounterVec {
		v := prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "capd", Name: name, Help: help}, labels)
		m.registry.MustRegister(v)
		return v
	}
	gauge := func(name, help string) prometheus.Gauge {
		g := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "capd", Name: name, Help: help})
		m.registry.MustRegister(g)
		m.gauges[name] = g
		return g
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "capd", Name: "build_info",
		Help: "The agent that answers.", ConstLabels: prometheus.Labels{"version": version}})
	m.registry.MustRegister(info)
	info.Set(1)
	gauge("start_time_seconds", "When the agent started, in seconds since 1970.").Set(seconds(started))
	m.verdicts = counters("verdicts_total", "Verdicts given since the start; a pass that gets another one counts again.",
		"verdict")
	m.findings = counters("findings_total", "Findings of the checks behind these verdicts.", "check", "outcome")
	m.alerts = counters("alerts_total", "Alerts told since the start.").WithLabelValues()
	m.last = prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "capd", Name: "last_verdict",
		Help: "1 for the verdict that was given last."}, []string{"verdict"})
	m.registry.MustRegister(m.last)
	for _, v := range verdicts {
		m.verdicts.WithLabelValues(string(v))
		m.last.WithLabelValues(string(v))
	}
	m.lastAt = gauge("last_verdict_timestamp_seconds",
		"When a verdict was given last, in seconds since 1970; 0 for never.")
	gauge("logs_growing", "Logs that are not complete yet.")
	gauge("logs_waiting", "Complete logs that wait to be judged.")
	gauge("recording", "1 while a log is being written over time.")
	gauge("paused", "1 while logs wait because somebody paused the agent.")
	gauge("watched_folder_missing", "1 while the watched folder does not exist.")
	gauge("troubles", "What weakens checking or telling now.")
	gauge("alerts_undelivered", "Alerts that have not arrived yet.")
	gauge("store_bytes", "Size of the file with the passes.")
	return m
}

func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// Run follows what happens until ctx ends; state says how things stand then, and at each tick
// while no log is being recorded: other programs change the store without a word to the agent.
// Where that cannot be said, the figures stay.
func (m *Metrics) Run(ctx context.Context, events *control.Hub, tick <-chan time.Time,
	state func(context.Context) (State, error)) {
	f := events.Follow()
	defer f.Close()
	recording := false
	ask := func() {
		s, err := state(ctx)
		recording = err == nil && s.Recording
		if err == nil {
			m.Set(s)
		}
	}
	ask()
	for {
		select {
		case <-ctx.Done():
			return
		case <-f.Wake():
			for _, e := range f.Take() {
				m.Count(e)
			}
			ask()
		case <-tick:
			if !recording {
				ask()
			}
		}
	}
}

// Count counts one event.
func (m *Metrics) Count(e control.Event) {
	defer m.moved()
	switch {
	case e.Kind == control.KindAlert:
		m.alerts.Inc()
	case e.Kind == control.KindPass && e.Pass != nil && e.Pass.Verdict.Valid():
		m.verdicts.WithLabelValues(string(e.Pass.Verdict)).Inc()
		for _, v := range verdicts {
			m.last.WithLabelValues(string(v)).Set(one(v == e.Pass.Verdict))
		}
		m.lastAt.Set(seconds(e.At))
		for _, f := range e.Pass.Findings {
			if f.Outcome.Valid() {
				m.findings.WithLabelValues(m.check(f.Check), string(f.Outcome)).Inc()
			}
		}
	}
}

// check is the label of a check.
func (m *Metrics) check(name string) string {
	switch {
	case slices.Contains(m.checks, name):
		return name
	case len(m.checks) == mostChecks || !prometheusName(name):
		return otherChecks
	}
	m.checks = append(m.checks, name)
	for _, o := range outcomes { // a series that begins with its first count hides that count
		m.findings.WithLabelValues(name, string(o))
	}
	return name
}

// prometheusName reports whether a name may be a label as it is: validators name themselves.
func prometheusName(s string) bool {
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '_') {
			return false
		}
	}
	return s != "" && len(s) <= 40
}

// Set takes over how things stand.
func (m *Metrics) Set(s State) {
	defer m.moved()
	for name, v := range map[string]float64{
		"logs_growing": float64(s.Growing), "logs_waiting": float64(s.Waiting), "recording": one(s.Recording),
		"paused": one(s.Paused), "watched_folder_missing": one(s.Missing), "troubles": float64(s.Troubles),
		"alerts_undelivered": float64(s.Undelivered), "store_bytes": float64(s.StoreBytes),
	} {
		m.gauges[name].Set(v)
	}
	if s.Cells == nil {
		return
	}
	if !m.planned {
		m.planned = true
		m.cells = prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "capd", Name: "campaign_cells",
			Help: "Cells of the campaign by how far they are."}, []string{"state"})
		m.registry.MustRegister(m.cells)
		for _, x := range [][2]string{{"done", "Passes that count."}, {"planned", "Passes wanted in all."},
			{"left", "Passes still to be recorded."}} {
			g := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "capd", Name: "campaign_passes_" + x[0], Help: x[1]})
			m.registry.MustRegister(g)
			m.plan = append(m.plan, g)
		}
		g := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "capd", Name: "campaign_left_seconds",
			Help: "What is left of the campaign, with changes of parts."})
		m.registry.MustRegister(g)
		m.plan = append(m.plan, g)
	}
	for _, state := range CellStates {
		m.cells.WithLabelValues(state).Set(float64(s.Cells[state]))
	}
	for i, v := range []float64{float64(s.PassesDone), float64(s.Planned), float64(s.PassesLeft), s.HoursLeft * 3600} {
		m.plan[i].Set(v)
	}
}

func one(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

// Handler answers a scrape. What was written down is kept until something moves: a scrape may
// fall into a pass.
func (m *Metrics) Handler() http.Handler {
	fresh := promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, DisableCompression: true})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		format := r.Header.Get("Accept")
		a := m.written(fresh, format, r)
		w.Header().Set("Content-Type", a.header.Get("Content-Type"))
		w.WriteHeader(a.status)
		w.Write(a.body.Bytes()) // whoever asked may be gone by now
	})
}

// written is the answer to a scrape, which nobody changes: whoever reads it slowly holds
// nothing up.
func (m *Metrics) written(fresh http.Handler, format string, r *http.Request) *answer {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.kept == nil || m.keptAs != format {
		a := &answer{header: http.Header{}, status: http.StatusOK}
		fresh.ServeHTTP(a, r)
		m.kept, m.keptAs = a, format
	}
	return m.kept
}

// moved lets the next scrape write down anew.
func (m *Metrics) moved() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.kept = nil
}

// answer is one to a scrape.
type answer struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (a *answer) Header() http.Header         { return a.header }
func (a *answer) WriteHeader(status int)      { a.status = status }
func (a *answer) Write(p []byte) (int, error) { return a.body.Write(p) }
