// Command bigstore makes a store of invented campaigns, to measure questions by:
//
//	go run ./internal/bigstore -passes 1000000 -benches 40 FILE
//
// A campaign has 200 cells on one bench: two processors, five cards, ten games, two presets,
// with three to ten passes each, in a session for each pair of parts and a second one for
// every other campaign. Passes have figures, tags, systems and findings as recorded ones
// have; frame times are left out, since no question here reads them.
package main

import (
	"context"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"time"

	"capd.example/record"
	"capd.example/store"
)

func main() {
	passes := flag.Int("passes", 100_000, "passes to make, about")
	benches := flag.Int("benches", 40, "benches that they are from")
	flag.Parse()
	if flag.NArg() != 1 || *benches < 1 {
		flag.Usage()
		os.Exit(2)
	}
	n, campaigns, err := fill(flag.Arg(0), *passes, *benches)
	if err != nil {
		fmt.Fprintln(os.Stderr, "bigstore:", err)
		os.Exit(3)
	}
	fmt.Printf("%d passes of %d campaigns\n", n, campaigns)
}

// Sizes of a campaign; their product is 200 cells.
const (
	processors = 2
	cards      = 5
	games      = 10
	presets    = 2
)

type writer struct {
	tx                            *sql.Tx
	pass, tag, judgement, finding *sql.Stmt
	terms                         map[[2]string]int64
	cells                         map[[6]string]int64
	systems                       map[string]int64
	n                             int64
	random                        *rand.Rand
	err                           error
}

func fill(path string, passes, benches int) (int64, int, error) {
	ctx := context.Background()
	if _, err := os.Stat(path); err == nil {
		return 0, 0, fmt.Errorf("%s is there already", path)
	}
	s, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return 0, 0, err
	}
	s.Close()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		return 0, 0, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("PRAGMA synchronous = off; PRAGMA cache_size = -400000"); err != nil {
		return 0, 0, err
	}
	tx, err := db.Begin()
	if err != nil {
		return 0, 0, err
	}
	defer tx.Rollback()
	w := &writer{tx: tx, terms: map[[2]string]int64{}, cells: map[[6]string]int64{}, systems: map[string]int64{},
		random: rand.New(rand.NewPCG(19, 7))}
	w.prepare()
	k := 0
	for ; w.n < int64(passes) && w.err == nil; k++ {
		w.campaign(k, benches)
	}
	if w.err != nil {
		return 0, 0, w.err
	}
	if err := tx.Commit(); err != nil {
		return 0, 0, err
	}
	_, err = db.Exec("PRAGMA wal_checkpoint(TRUNCATE)")
	return w.n, k, err
}

func (w *writer) prepare() {
	for _, s := range []struct {
		to   **sql.Stmt
		text string
	}{
		{&w.pass, `INSERT INTO pass_rows (n, id, sha256, bench, log, at, started_at, ended_at, log_at, stored_at, state, revision, cell, system,
			verdict, judgement, campaign, doc, frames, duration_s, avg_fps, median_ms, p95_ms, p99_ms, p999_ms, max_ms, low1_fps, low01_fps,
			low1_time_fps, p99_fps, hitches, low1_sparse, low01_sparse)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'notified', 0, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0)`},
		{&w.tag, `INSERT INTO tag_rows (pass, term, origin) VALUES (?, ?, ?)`},
		{&w.judgement, `INSERT INTO judgements (n, pass, revision, kind, verdict, reason, who, at) VALUES (?, ?, 0, 'checked', ?, '', '', ?)`},
		{&w.finding, `INSERT INTO finding_rows (judgement, seq, name, version, outcome, reason, advice, numbers, params) VALUES (?, ?, ?, '1', ?, ?, '', ?, '{}')`},
	} {
		if *s.to, w.err = w.tx.Prepare(s.text); w.err != nil {
			return
		}
	}
}

func (w *writer) exec(s *sql.Stmt, args ...any) {
	if w.err == nil {
		_, w.err = s.Exec(args...)
	}
}

// number returns the number of a row that an insert makes.
func (w *writer) number(text string, args ...any) int64 {
	if w.err != nil {
		return 0
	}
	res, err := w.tx.Exec(text, args...)
	if w.err = err; err != nil {
		return 0
	}
	n, err := res.LastInsertId()
	w.err = err
	return n
}

// setting is what the passes of one cell of a campaign share.
type setting struct {
	campaign, bench, driver, system string
	parts                           [6]string // in the order of the columns of a cell
	rate                            float64
}

// campaign makes the passes of one campaign, in order of time.
func (w *writer) campaign(k, benches int) {
	day := time.Date(2021, 1, 4, 9, 0, 0, 0, time.UTC).AddDate(0, 0, k/benches*21)
	name, bench := fmt.Sprintf("campaign %d", k), fmt.Sprintf("bench-%d", k%benches)
	for pair := range processors * cards {
		c, g := (k+pair/cards)%12, (3*k+pair%cards)%20
		for second := range 1 + k%2 {
			start := day.AddDate(0, 0, pair+10*second)
			shift := math.Exp(0.004 * w.random.NormFloat64())
			s := setting{campaign: name, bench: bench, driver: fmt.Sprintf("7.%d", k/benches)}
			s.parts[0], s.parts[1] = fmt.Sprintf("Basalt %d", 100+100*c), fmt.Sprintf("Lumen %d", 10+10*g)
			s.system = fmt.Sprintf(
				"%016x",
				(uint64(k%benches)<<32+uint64(c)<<24+uint64(g)<<16+uint64(k/benches))*0x9e3779b97f4a7c15,
			)
			w.session(s, k, c, g, second, start, shift)
		}
	}
}

func (w *writer) session(s setting, k, c, g, second int, start time.Time, shift float64) {
	at := start
	for game := range games {
		title := (k + game) % 30
		s.parts[2], s.parts[3], s.parts[4] = fmt.Sprintf("Game %d", title), "run", "2560x1440"
		for preset := range presets {
			s.parts[5] = []string{"high", "low"}[preset]
			processor := (80 + 9*float64(c)) * (0.7 + 0.05*float64(title))
			card := (50 + 12*float64(g)) * (1 + 0.03*float64(title)) * []float64{1, 1.7}[preset]
			s.rate = math.Pow(math.Pow(processor, -6)+math.Pow(card, -6), -1.0/6) * shift
			passes := 3 + w.random.IntN(8)
			from, to := 0, passes
			if k%2 == 1 { // the half of them in each session
				from, to = second*passes/2, (second+1)*passes/2
			}
			for i := from; i < to; i++ {
				w.put(s, i+1, at, start)
				at = at.Add(100 * time.Second)
			}
		}
	}
}

const timeText = "2006-01-02T15:04:05.000000Z"

// put stores one pass.
func (w *writer) put(s setting, ordinal int, at, boot time.Time) {
	w.n++
	n := w.n
	sha := fmt.Sprintf("%016x%016x%016x%016x", w.random.Uint64(), w.random.Uint64(), w.random.Uint64(), n)
	fps := s.rate * math.Exp(0.005*w.random.NormFloat64())
	low := 0.7 * fps * math.Exp(0.012*w.random.NormFloat64())
	verdict, reason := record.Clean, "all is well"
	switch w.random.IntN(100) {
	case 0, 1, 2:
		verdict, reason = record.VerdictBad, "the log ends after 12.3 s of 60 s"
	case 3, 4, 5, 6, 7, 8:
		verdict, reason = record.VerdictDoubtful, "a program took 9 % of the processor"
	}
	log := fmt.Sprintf("/logs/%s/%s/%d.csv", s.campaign, s.parts[2], n)
	tags := []struct{ name, value, origin string }{
		{
			"cpu",
			s.parts[0],
			"detected",
		}, {"gpu", s.parts[1], "detected"}, {"game", s.parts[2], "path"}, {"scene", s.parts[3], "plan"},
		{"resolution", s.parts[4], "plan"}, {"preset", s.parts[5], "plan"},
		{"campaign", s.campaign, "plan"},
		{
			"driver",
			s.driver,
			"detected",
		}, {"boot", boot.Format(time.RFC3339), "detected"}, {"pass", fmt.Sprint(ordinal), "path"},
	}
	var claims []record.Claim
	for _, t := range tags {
		claims = append(
			claims,
			record.Claim{Name: t.name, Value: t.value, From: record.Origin(t.origin), Detail: "invented"},
		)
	}
	doc, _ := json.Marshal(
		map[string]any{
			"layout": record.Layout{
				Delimiter: ",",
				Decimal:   ".",
				Header:    true,
				Source:    "duration",
				Column:    "took_ms",
				Unit:      "ms",
			},
			"claims": claims,
		},
	)
	w.exec(
		w.pass,
		n,
		sha[:12],
		sha,
		s.bench,
		log,
		at.Format(timeText),
		at.Format(timeText),
		at.Add(time.Minute).Format(timeText),
		at.Add(61*time.Second).
			Format(timeText),
		at.Add(62*time.Second).Format(timeText),
		w.cell(s),
		w.system(s),
		string(verdict),
		n,
		s.campaign,
		string(doc),
		int(60*fps),
		60.0,
		fps,
		990/fps,
		1200/fps,
		1000/low,
		1300/low,
		1900/low,
		low,
		0.8*low,
		0.96*low,
		low,
		3,
	)
	for _, t := range tags {
		w.exec(w.tag, n, w.term(t.name, t.value), t.origin)
	}
	w.exec(w.judgement, n, n, string(verdict), at.Add(63*time.Second).Format(timeText))
	outcome := map[record.Verdict]record.Outcome{record.Clean: record.OK, record.VerdictBad: record.Bad, record.VerdictDoubtful: record.Doubtful}[verdict]
	for i, check := range []string{"agreement", "background", "completeness"} {
		if i == 2 {
			w.exec(w.finding, n, i, check, string(outcome), reason, `{"expected_s":60,"limit":1}`)
		} else {
			w.exec(w.finding, n, i, check, "ok", "as expected: 1 of 2 %", `{"limit":2,"is":1}`)
		}
	}
}

func (w *writer) term(name, value string) int64 {
	key := [2]string{name, value}
	if w.terms[key] == 0 {
		w.terms[key] = w.number(`INSERT INTO terms (name, value) VALUES (?, ?)`, name, value)
	}
	return w.terms[key]
}

func (w *writer) cell(s setting) int64 {
	if w.cells[s.parts] == 0 {
		p := s.parts
		w.cells[s.parts] = w.number(
			`INSERT INTO cell_rows (cpu, gpu, game, scene, resolution, preset) VALUES (?, ?, ?, ?, ?, ?)`,
			p[0],
			p[1],
			p[2],
			p[3],
			p[4],
			p[5],
		)
	}
	return w.cells[s.parts]
}

func (w *writer) system(s setting) int64 {
	if w.systems[s.system] == 0 {
		fields, _ := json.Marshal([]record.Field{
			{Name: record.FieldProcessorName, Value: s.parts[0], Source: "invented", Identity: true},
			{Name: record.FieldGraphicsName, Value: s.parts[1], Source: "invented", Identity: true},
			{Name: record.FieldGraphicsDriver, Value: s.driver, Source: "invented", Identity: true},
			{Name: record.FieldMemorySize, Value: "32", Unit: "GiB", Source: "invented", Identity: true},
			{Name: record.FieldMemorySpeed, Value: "6000", Unit: "MT/s", Source: "invented", Identity: true},
			{Name: record.FieldOSName, Value: "invented", Source: "invented", Identity: true},
		})
		w.systems[s.system] = w.number(`INSERT INTO system_rows (id, fields) VALUES (?, ?)`, s.system, string(fields))
	}
	return w.systems[s.system]
}
