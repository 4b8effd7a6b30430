package agent

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
	"github.com/rs/zerolog"
	"modernc.org/sqlite"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/logbook"
	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/plugins/host"
	"capd.example/record"
	"capd.example/store"
	"capd.example/watcher"
)

// simulated is everything around the agent in one simulation.
type simulated struct {
	dir, watch string
	seed       uint64
	rng        *rand.Rand
	config     config.Config
	book       *logbook.Book
	hand       *store.Store // the reviewer's, as capctl opens it
	raw        *sql.DB
	began      time.Time

	files      []*logFile        // in the folder now
	written    map[string]string // SHA-256 of a content that was in the folder = its recording
	recordings int
	tags       map[string]map[string]string // pass = tag = what was said by hand last
	turns      int                          // tags for one pass alone that were given
	verdicts   map[string]overruled         // pass = verdict by hand
	unwatched  bool                         // no program can say who writes (a file system without leases)

	mu         sync.Mutex // guards what the agent's goroutines use too
	life       *life
	open       map[string]bool                // files that a logger holds open
	refuses    time.Time                      // until then the store takes nothing
	sick       time.Time                      // until then validators give no answer
	hangs      bool                           // and say so late
	down       time.Time                      // until then no alert arrives
	late       bool                           // and the receiver says so late
	told       map[string]map[string][]string // channel = SHA-256 of the pass's log, or path of an unreadable log = identities
	unreadable map[string]bool                // paths at which a log lay that cannot be read
	moved      map[string]bool                // channel, SHA-256 and verdict of passes told to have another one
	delivery   int
	moment     time.Time // at which the agent did so much:
	deeds      int
	orders     []ordered
	givenBack  int // how often the validators' process was ended

	saying sync.Mutex
	wrong  []string
	trace  []string
	tallied
}

type overruled struct {
	revision int
	verdict  record.Verdict
}

// life is one run of the agent, from its start to a crash.
type life struct {
	w       *simulated
	dead    bool // under w.mu: nothing that it does counts any more
	commits int  // until the crash; below 0 for none
	keep    bool // the last commit still counts
	balks   int  // commits until one is refused; below 0 for none
	stop    context.CancelFunc
	ended   chan struct{}
	source  *played
	agent   *Agent
	again   time.Time // when validators that gave no answer are asked again
}

var worlds sync.Map // folder of a simulation = *simulated

// Every connection to a store of a simulation asks it before a commit.
func init() {
	sqlite.RegisterConnectionHook(func(c sqlite.ExecQuerierContext, dsn string) error {
		hooks, ok := c.(sqlite.HookRegisterer)
		worlds.Range(func(dir, w any) bool {
			if strings.Contains(dsn, dir.(string)+"/data/") && ok {
				hooks.RegisterCommitHook(w.(*simulated).committing())
			}
			return true
		})
		return nil
	})
}

const simulatedCampaign = `
name = "simulated"
passes = 2
length_s = 10
accept = ["clean", "unverified"]
[factors]
resolution = ["1080p", "1440p"]
preset = ["low", "high"]
[change_minutes]
game = 5
resolution = 1
preset = 0.5
[[game]]
name = "Copper Drift"
[[game]]
name = "Salt Flats"
`

func newSimulated(dir, blank string, seed uint64) *simulated {
	w := &simulated{
		dir: dir, watch: filepath.Join(dir, "logs"), seed: seed, rng: rand.New(rand.NewPCG(seed, 0xb0a7)),
		written: map[string]string{}, tags: map[string]map[string]string{}, verdicts: map[string]overruled{},
		open: map[string]bool{}, moved: map[string]bool{}, told: map[string]map[string][]string{}, unreadable: map[string]bool{},
	}
	c := config.Default()
	c.Bench, c.Data, c.Watch, c.Campaign = "bench", filepath.Join(dir, "data"), w.watch, filepath.Join(dir, "campaign.toml")
	c.Expect.DurationS = 10
	if w.rng.IntN(2) == 0 {
		c.Tags.Paths = []string{"{game}/{resolution}/{*}.csv"}
	}
	w.config, w.unwatched = c, w.rng.IntN(4) == 0
	data, err := os.ReadFile(blank)
	w.must(err)
	w.must(os.MkdirAll(c.Data, 0o700))
	w.must(os.MkdirAll(w.watch, 0o755))
	w.must(os.Symlink("data", filepath.Join(dir, "hand")))
	w.must(os.WriteFile(c.StoreFile(), data, 0o600))
	w.must(os.WriteFile(c.Campaign, []byte(simulatedCampaign), 0o600))
	w.book, err = logbook.Open(c.Campaign)
	w.must(err)
	worlds.Store(dir, w)
	return w
}

// must ends the simulation where the test itself fails.
func (w *simulated) must(err error) {
	if err != nil {
		panic(err)
	}
}

func (w *simulated) say(format string, args ...any) {
	w.saying.Lock()
	defer w.saying.Unlock()
	w.trace = append(w.trace, fmt.Sprintf("%9.1fs ", time.Since(w.began).Seconds())+fmt.Sprintf(format, args...))
}

func (w *simulated) fail(format string, args ...any) {
	w.saying.Lock()
	defer w.saying.Unlock()
	w.wrong = append(w.wrong, fmt.Sprintf(format, args...))
}

// opens begins the world's time, with the agent started.
func (w *simulated) opens() {
	w.began = time.Now()
	var err error
	w.hand, err = store.Open(context.Background(), filepath.Join(w.dir, "hand", "passes.db"), store.Options{})
	w.must(err)
	w.raw, err = sql.Open("sqlite", "file:"+filepath.Join(w.dir, "hand", "passes.db")+"?mode=ro&_pragma=busy_timeout(5000)")
	w.must(err)
	w.start()
}

// ends ends it.
func (w *simulated) ends() {
	w.crash()
	<-w.life.ended
	w.must(w.hand.Close())
	w.must(w.raw.Close())
	worlds.Delete(w.dir)
}

// run lives through the seed's steps, then lets all that was broken be mended, and looks.
func (w *simulated) run(steps int) {
	w.opens()
	for range steps {
		w.step()
		w.pass(w.between())
		w.revive()
		w.position()
		w.steps++
		if w.failed() {
			break
		}
	}
	w.mend()
	w.settled()
	w.say("restarted")
	w.crash()
	w.pass(time.Second)
	w.revive()
	w.pass(10 * time.Minute)
	w.settled()
	w.ends()
}

// pass lets time go by. What the agent does at the end of it is done when it returns.
func (w *simulated) pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// between is the time until the next step: mostly short, while a recording is under way
// never long, now and then longer than any patience.
func (w *simulated) between() time.Duration {
	most := 6 * time.Second
	switch recording := w.recording(); {
	case w.rng.IntN(3) == 0:
		most = 200 * time.Millisecond
	case recording == nil && w.rng.IntN(12) == 0:
		most = 20 * time.Minute
	case recording == nil && w.rng.IntN(3) == 0:
		most = 40 * time.Second
	}
	return time.Millisecond + time.Duration(w.rng.Int64N(int64(most)))
}

// start starts the agent anew.
func (w *simulated) start() {
	ctx, stop := context.WithCancel(context.Background())
	l := &life{w: w, commits: -1, balks: -1, stop: stop, ended: make(chan struct{}),
		source: &played{events: make(chan fsnotify.Event, 256), errs: make(chan error, 1), added: map[string]bool{}}}
	w.mu.Lock()
	w.life = l
	w.mu.Unlock()
	go func() {
		defer close(l.ended)
		defer stop()
		ag, err := build(ctx, Options{Config: w.config, Log: zerolog.Nop(), Screen: Screen{Out: io.Discard}}, l.outside())
		if err != nil {
			w.mu.Lock()
			l.dead = true // it said what is wrong and ended: it is started again
			w.mu.Unlock()
			return
		}
		w.mu.Lock()
		l.agent = ag
		w.mu.Unlock()
		if err := ag.Run(ctx); err != nil {
			w.fail("the agent ended: %v", err)
		}
		ag.Close()
	}()
	synctest.Wait()
}

// crash ends the agent at once: what it has not committed is lost.
func (w *simulated) crash() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.life.die()
}

func (l *life) die() {
	if !l.dead {
		l.dead = true
		l.w.crashes++
		l.stop()
	}
}

// mostDeeds is far more than the agent has to do at one moment.
const mostDeeds = 5000

// does counts what the agent does at one moment of the invented time. One that tries the same
// again and again without a pause, as a real one may for hours, lets no time go by here.
func (l *life) does() {
	w := l.w
	if now := time.Now(); !now.Equal(w.moment) {
		w.moment, w.deeds = now, 0
	}
	if w.deeds++; w.deeds == mostDeeds {
		w.fail("the agent tries something again and again without a pause")
		l.die()
	}
}

// revive starts the agent again where it has crashed.
func (w *simulated) revive() {
	for {
		w.mu.Lock()
		l := w.life
		dead := l.dead
		w.mu.Unlock()
		if !dead {
			return
		}
		<-l.ended
		w.say("the agent has crashed and is started again")
		w.pass(time.Duration(w.rng.Int64N(int64(20 * time.Second))))
		w.start()
	}
}

// committing returns what a connection of the life that opens it asks before a commit.
func (w *simulated) committing() func() int32 {
	w.mu.Lock()
	l := w.life
	w.mu.Unlock()
	const no, yes = 1, 0
	return func() int32 {
		w.mu.Lock()
		defer w.mu.Unlock()
		l.does()
		if l.balks--; l.balks < -1 {
			l.balks = -2
		}
		switch {
		case l.dead, time.Now().Before(w.refuses), l.balks == -1:
			return no
		case l.commits < 0:
			return yes
		case l.commits > 0:
			l.commits--
			return yes
		}
		l.die()
		if l.keep {
			return yes
		}
		return no
	}
}

func (l *life) outside() outside {
	return outside{
		bench:  still{},
		checks: func(*Agent) (checker, error) { return validating{l}, nil },
		routes: func(o routes.Options) ([]notify.Route, error) {
			return []notify.Route{
				{Channel: phone{"web hook", l}, Queue: o.Queue, Timeout: 10 * time.Second},
				{Channel: phone{"command", l}, Queue: o.Queue, Timeout: 10 * time.Second},
				{Channel: phone{"given up", l}, Queue: o.Queue, Timeout: 10 * time.Second, Attempts: 2},
			}, nil
		},
		watch: func(o watcher.Options) watcher.Options {
			return o.With(func() (watcher.Source, error) { return l.source, nil }, l.w.writer)
		},
		listen: func(context.Context, string, control.Agent, *control.Hub) (*control.Server, error) {
			return nil, errors.New("no sockets here")
		},
		rest: func() {},
	}
}

// writer says whether a logger holds a log open.
func (w *simulated) writer(path string) watcher.Writer {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.unwatched:
		return watcher.WriterUnknown
	case w.open[path]:
		return watcher.WriterOpen
	}
	return watcher.WriterNone
}

// still is a bench that never changes and takes no samples.
type still struct{}

func (still) Sample(ctx context.Context) error   { <-ctx.Done(); return nil }
func (still) Sampling() record.Sampling          { return record.Sampling{} }
func (still) Hasten()                            {}
func (still) Beats() <-chan struct{}             { return nil }
func (still) Boot(time.Time) (record.Boot, bool) { return record.Boot{}, false }
func (still) WindowFor(time.Time, time.Time, string) (*record.Telemetry, error) {
	return nil, errors.New("none were taken")
}
func (still) Detect(context.Context) record.System {
	s := record.System{Fields: []record.Field{{Name: record.FieldGraphicsName, Value: "Lantern 60", Identity: true}}}
	s.ID = s.Identity()
	return s
}

// validating are validators that look at a pass's length and pauses, when they are well.
type validating struct{ l *life }

// Idle has the process end, which the next check starts anew.
func (v validating) Idle() {
	v.l.w.mu.Lock()
	defer v.l.w.mu.Unlock()
	v.l.w.givenBack++
}
func (validating) Close() error { return nil }

func (v validating) Later() bool { return !v.l.again.IsZero() }

func (v validating) Failing() []host.Failing {
	if v.l.again.IsZero() {
		return nil
	}
	return []host.Failing{{Name: "bundled", Checks: []string{"completeness", "hitches"}, Why: "no answer", Again: v.l.again}}
}

func (v validating) Check(ctx context.Context, e record.Evidence) []record.Finding {
	w := v.l.w
	w.mu.Lock()
	sick, hangs := time.Now().Before(w.sick), w.hangs
	w.mu.Unlock()
	if v.l.again = (time.Time{}); sick {
		v.l.again = time.Now().Add(10 * time.Second)
	}
	if sick && hangs {
		select {
		case <-ctx.Done():
		case <-time.After(5 * time.Second):
		}
	}
	length, pause := length(e.Frames.MS), pauses(e.Frames.MS)
	out := []record.Finding{
		{Check: "completeness", Outcome: record.OK, Reason: "whole", Numbers: map[string]float64{"got_s": length}},
		{Check: "hitches", Outcome: record.OK, Reason: "no pause"},
	}
	if length < 0.9*e.Expected.DurationS {
		out[0].Outcome, out[0].Reason = record.Bad, fmt.Sprintf("%.1f s of %.1f s", length, e.Expected.DurationS)
	}
	if pause {
		out[1].Outcome, out[1].Reason = record.Doubtful, "the picture stood still"
	}
	for i := range out {
		if sick {
			out[i].Outcome, out[i].Reason = record.NotChecked, "no answer"
		}
	}
	return out
}

func length(ms []float64) (s float64) {
	for _, x := range ms {
		s += x / 1000
	}
	return s
}

func pauses(ms []float64) bool {
	for _, x := range ms {
		if x > 400 {
			return true
		}
	}
	return false
}

// phone is an alert channel.
type phone struct {
	name string
	l    *life
}

func (p phone) Name() string { return p.name }

func (p phone) Send(ctx context.Context, a notify.Alert) error {
	w := p.l.w
	w.mu.Lock()
	p.l.does()
	down, late, dead := time.Now().Before(w.down), w.late, p.l.dead
	w.mu.Unlock()
	switch {
	case dead:
		return context.Canceled
	case down && late:
		<-ctx.Done()
		return ctx.Err()
	case down:
		return errors.New("nobody answers")
	}
	var early string
	if a.Pass != nil && (a.Kind == notify.BadPass || a.Kind == notify.DoubtfulPass || a.Kind == notify.UnverifiedPass) && a.Count < 2 {
		early = w.early(*a.Pass)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if p.l.dead {
		return context.Canceled
	}
	if early != "" {
		w.fail("%s was told of pass %s before its verdict was stored: %s", p.name, a.Pass.ID, early)
	}
	if a.Kind == notify.UnreadableLog && !w.unreadable[a.Log] {
		w.fail("%s was told that %s cannot be read, which it could or was gone: %s", p.name, a.Log, a.Text)
	}
	if a.Kind == notify.OtherVerdict && a.Pass != nil {
		w.moved[p.name+" "+a.Pass.SHA256+" "+string(a.Pass.Verdict)] = true
	}
	w.delivery++
	about := a.Log
	if a.Pass != nil {
		about = a.Pass.SHA256
	}
	if w.told[p.name] == nil {
		w.told[p.name] = map[string][]string{}
	}
	key := string(a.Kind) + " " + about
	w.told[p.name][key] = append(w.told[p.name][key], a.ID)
	return nil
}

// early says how a pass stands in the store that people are told of too early.
func (w *simulated) early(p record.Pass) string {
	var judged bool // once: it may have been put back since
	var revision int
	err := w.raw.QueryRow(`SELECT EXISTS (SELECT 1 FROM judgements j WHERE j.pass = p.n AND j.revision = p.revision AND j.kind = 'checked'), p.revision
		FROM pass_rows p WHERE id = ?`, p.ID).Scan(&judged, &revision)
	switch {
	case err != nil:
		return err.Error()
	case revision == p.Revision && !judged:
		return "not judged"
	}
	return ""
}

// played is a source of events that the simulation plays.
type played struct {
	events chan fsnotify.Event
	errs   chan error
	mu     sync.Mutex
	added  map[string]bool
}

func (s *played) Add(folder string) error {
	s.mu.Lock()
	s.added[folder] = true
	s.mu.Unlock()
	return nil
}
func (s *played) Remove(folder string) error {
	s.mu.Lock()
	delete(s.added, folder)
	s.mu.Unlock()
	return nil
}
func (s *played) Close() error                  { s.mu.Lock(); clear(s.added); s.mu.Unlock(); return nil }
func (s *played) Events() <-chan fsnotify.Event { return s.events }
func (s *played) Errors() <-chan error          { return s.errs }

// happens plays an event, or loses it, as systems do.
func (w *simulated) happens(path string, op fsnotify.Op) {
	s := w.life.source
	s.mu.Lock()
	watched := s.added[filepath.Dir(path)]
	s.mu.Unlock()
	if !watched || w.rng.IntN(20) == 0 {
		return
	}
	select {
	case s.events <- fsnotify.Event{Name: path, Op: op}:
	default:
		select {
		case s.errs <- fsnotify.ErrEventOverflow:
		default:
		}
	}
	synctest.Wait()
}

func (w *simulated) failed() bool {
	w.saying.Lock()
	defer w.saying.Unlock()
	return len(w.wrong) > 0
}

func (w *simulated) outcome() outcome {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.saying.Lock()
	defer w.saying.Unlock()
	w.tallied.told = w.delivery
	return outcome{tallied: w.tallied, wrong: w.wrong, trace: w.trace}
}
