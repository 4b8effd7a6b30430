package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"time"

	"github.com/gofrs/flock"
	"github.com/rs/zerolog"
	"golang.org/x/term"

	"capd.example/config"
	"capd.example/control"
	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/pipeline"
	"capd.example/record"
	"capd.example/store"
	"capd.example/sysinfo"
	"capd.example/tag"
	"capd.example/watcher"
)

// runCmd is `capd run`.
type runCmd struct {
	Verbose bool `short:"v" help:"On a terminal, also print details and events that matter to nobody but the curious."`
}

func (c runCmd) Run(a *app) error {
	// A guest on the bench: one processor is enough for the agent itself, and games go
	// first. The validators run in a process of their own at the lowest priority.
	runtime.GOMAXPROCS(1)
	debug.SetMemoryLimit(memoryLimit)
	ag, err := build(a, c.Verbose, world())
	if err != nil {
		return err
	}
	defer ag.close()
	if err := sysinfo.LowerPriority(agentNice); err != nil {
		ag.log.Debug().Err(err).Msg("the agent's priority stays as it is")
	}
	return ag.run(a.ctx)
}

// memoryLimit bounds what reading logs may leave uncollected; a larger log still works.
const memoryLimit = 64 << 20

// agentNice gives way to games and still keeps samples on time; at 19 they come late.
const agentNice = 5

// agent is everything that runs; it is built whole before anything starts.
type agent struct {
	config config.Config
	given  cli.Given // for alerts, whose readers sit in other folders
	log    zerolog.Logger
	lock   *flock.Flock
	store  *store.Store
	out    outside
	host   checker
	bench  machine
	watch  *watcher.Watcher
	alerts *notify.Dispatcher
	screen *notify.Rule // what the terminal shows of the alerts
	steps  *pipeline.Pipeline

	troubles notify.Troubles
	owed     owed // passes that a validator that failed still owes an answer

	fresh    chan struct{} // passes were judged: the lab may have them
	stuck    bool          // the store could not take the last pass or verdict
	lost     bool          // that file is no longer there, or another one is
	identity os.FileInfo   // of the store's file when it was opened
	kept     time.Time     // what checking took is kept since the log that was carried then; zero: it was given back
	backlog  backlog
	hub      control.Hub
	plan     *planner
	desk     *desk
	service  *control.Server
}

func build(a *app, verbose bool, out outside) (_ *agent, err error) {
	ag := &agent{out: out, config: a.config, given: anywhere(a.given), log: logger(a.stderr, verbose, a.given), fresh: make(chan struct{}, 1)}
	defer func() {
		if err != nil {
			ag.close()
		}
	}()
	if wrong := wrongSettings(a.config); len(wrong) > 0 {
		return nil, cli.UsageError(wrong[0], "'capd check' lists all that is wrong")
	}
	templates, err := tag.ParseTemplates(a.config.Tags.Paths)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	if ag.plan, err = newPlanner(a.config, ag.log); err != nil {
		return nil, err
	}
	if err := ag.takeFolders(); err != nil {
		return nil, err
	}
	if ag.store, err = store.Open(a.ctx, a.config.StoreFile(), store.Options{}); err != nil {
		return nil, cli.FailedError(err)
	}
	if ag.host, err = out.checks(ag); err != nil {
		return nil, cli.FailedError(fmt.Errorf("prepare the validators: %w", err))
	}
	if ag.alerts, err = ag.dispatcher(a); err != nil {
		return nil, err
	}
	ag.bench = out.bench(a.root)
	ag.troubles.Bench, ag.troubles.Send = a.config.Bench, func(ctx context.Context, alert notify.Alert) error { return ag.tell().send(ctx, alert) }
	if err := ag.owed.load(a.ctx, ag.store); err != nil {
		return nil, cli.FailedError(err)
	}
	if ag.identity, err = os.Stat(ag.store.Path()); err != nil {
		return nil, cli.FailedError(err)
	}
	if ag.watch, err = ag.watcher(a.ctx); err != nil {
		return nil, cli.FailedError(err)
	}
	ag.desk = &desk{agent: ag, since: time.Now(), wakes: make(chan struct{}, 1)}
	if ag.service, err = out.listen(a.ctx, a.config.Data, ag.desk, &ag.hub); errors.Is(err, control.ErrTaken) {
		return nil, cli.FailedError(err, "stop the other agent, or give this one a folder of its own with --data")
	} else if err != nil {
		// The system may have no such sockets, or the path may be too long for one. Passes
		// are worth more than talking about them.
		ag.log.Warn().Err(err).Msg("capctl cannot talk to this agent (status, follow, begin, pause); everything else works")
		ag.service = nil
	}
	c := a.config
	kept := remembering{ag, passStore{judging.Cells{Store: ag.store, Who: "capd", Tell: true}, ag.store}}
	ag.steps = &pipeline.Pipeline{
		Reader: reader(c), Bench: bench{ag.bench, c.System.Declared}, Store: kept, Checks: kept,
		Tell: ag.tell(),
		Know: pipeline.Knowledge{
			Bench: c.Bench, Templates: templates, Header: c.Tags.Header, Fixed: c.Tags.Fixed,
			Order: tag.Order(c.Tags.Trust), Factors: record.CellFactors, Required: c.Checks.Required, Must: c.System.Must,
			Hand: ag.desk.tags, Present: ag.desk.since,
			Expect: func(record.Tags) record.Expectation {
				return judging.Expect(c.Expect)
			},
		},
	}
	if boot, ok := ag.bench.Boot(time.Now()); ok {
		ag.steps.Know.Boot = func(started time.Time) string {
			if started.Before(boot.At) {
				return ""
			}
			return boot.ID
		}
	}
	ag.plan.teach(a.ctx, ag.store, &ag.steps.Know)
	ag.steps.Know.Spread = judging.Spread(ag.store, ag.steps.Know.Factors)
	ag.steps.Know.Settle = judging.Settle(c.Checks, ag.steps.Know.Spread)
	return ag, nil
}

// takeFolders makes the folders and makes sure that no second agent uses the data.
func (ag *agent) takeFolders() error {
	for dir, mode := range map[string]os.FileMode{ag.config.Data: 0o700, ag.config.Watch: 0o755} {
		if err := os.MkdirAll(dir, mode); err != nil {
			return cli.FailedError(fmt.Errorf("make the folder: %w", err), "choose others with --data and --watch")
		}
	}
	ag.lock = flock.New(filepath.Join(ag.config.Data, "agent.lock"))
	got, err := ag.lock.TryLock()
	if err != nil {
		return cli.FailedError(fmt.Errorf("lock the data folder %s: %w", ag.config.Data, err))
	}
	if !got {
		return cli.FailedError(fmt.Errorf("another agent is using the data folder %s", ag.config.Data),
			"stop it, or give this one a folder of its own with --data")
	}
	return nil
}

func logger(out io.Writer, verbose bool, given cli.Given) zerolog.Logger {
	if isTerminal(out) {
		out = cli.Console{Out: out, Verbose: verbose, Colour: colours(out), Given: given}
	}
	return zerolog.New(out).With().Timestamp().Logger()
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// colours reports whether colours may be written: to terminals only, and not where the
// user asks for none in the usual way.
func colours(w io.Writer) bool { return isTerminal(w) && os.Getenv("NO_COLOR") == "" }

// width returns what asks for the columns of a terminal, nil for anything else.
func width(w io.Writer) func() int {
	f, ok := w.(*os.File)
	if !ok || !isTerminal(w) {
		return nil
	}
	return func() int {
		columns, _, err := term.GetSize(int(f.Fd()))
		if err != nil {
			return 0
		}
		return columns
	}
}

func (ag *agent) dispatcher(a *app) (*notify.Dispatcher, error) {
	n := ag.config.Notify
	tty := isTerminal(a.stdout)
	if tty {
		rule := alertRule(n, "terminal")
		ag.screen = &rule
	}
	channels, err := ag.out.routes(routes.Options{
		Out: a.stdout, Width: width(a.stdout), Colour: colours(a.stdout), Bell: tty && n.Bell,
		Command: n.Command, WebHook: n.WebHook, Secret: n.Secret, Services: n.Services, Desktop: n.Desktop, Sound: n.Sound,
		Queue: alertQueue{ag.store}, Timeout: config.Seconds(n.TimeoutS), Group: config.Seconds(n.GroupS),
		Rule: func(channel string) notify.Rule { return alertRule(n, channel) },
	})
	if err != nil {
		return nil, cli.UsageError(err)
	}
	d, err := notify.New(channels, func(o notify.Outcome) {
		ag.channel(a.ctx, o)
		if o.Err != nil {
			ag.log.Warn().Err(o.Err).Str("channel", o.Channel).Time("again_at", o.Next).Msg("an alert was not delivered")
		}
	})
	if err != nil {
		return nil, cli.FailedError(fmt.Errorf("prepare the alerts: %w", err))
	}
	return d, nil
}

// channelPatience is how long alerts to a channel may fail before that is a trouble.
const channelPatience = 5 * time.Minute

// channel notes of a channel whether it delivers.
func (ag *agent) channel(ctx context.Context, o notify.Outcome) {
	key := "channel-" + o.Channel
	switch {
	case o.Err == nil:
		ag.troubles.Clear(key)
	case o.Next.IsZero():
		ag.troubles.Raise(ctx, key, fmt.Sprintf("an alert to the channel %s was given up: %v", o.Channel, o.Err),
			"put the channel right and try it with 'capctl alerts --test'; 'capctl alerts' lists what was to be told")
	case o.Waited > channelPatience:
		ag.troubles.Raise(ctx, key, fmt.Sprintf("alerts to the channel %s do not arrive: %v", o.Channel, o.Err),
			"put the channel right; they are kept, and tried again")
	}
}

// alertRule says which alerts a channel wants by the configuration.
func alertRule(n config.Notify, channel string) notify.Rule {
	r := n.Rule(channel)
	rule := notify.Rule{Benches: r.Benches, Campaigns: r.Campaigns}
	for _, v := range r.Verdicts {
		rule.Verdicts = append(rule.Verdicts, record.Verdict(v))
	}
	return rule
}

func (ag *agent) watcher(ctx context.Context) (*watcher.Watcher, error) {
	f := ag.config.Files
	first, err := ag.firstStart(ctx)
	if err != nil {
		return nil, err
	}
	return watcher.New(ag.out.watch(watcher.Options{
		Folder: ag.config.Watch, Patterns: f.Patterns, Existing: true,
		Table:   func(path string) bool { return framelog.Begins(path, readerOptions(ag.config)) },
		Noticed: ag.bench.Hasten, // a pass is running, or has just run
		Beat:    ag.bench.Beats(),
		Quiet:   config.Seconds(f.QuietS), Latest: config.Seconds(f.LatestS), Poll: config.Seconds(f.PollS),
		Known: func(file watcher.File) bool {
			if !f.Existing && file.ModTime.Before(first) {
				return true
			}
			known, err := ag.store.KnownFile(ctx, store.FileMark{Path: file.Path, Size: file.Size, ModTime: file.ModTime, ID: file.FileID})
			return err == nil && known
		},
		Trouble: func(t watcher.Trouble) {
			ag.log.Warn().Err(t.Err).Str("path", t.Path).Str("hint", t.Hint).Msg("the watched folder")
			if !errors.Is(t.Err, watcher.ErrOverflow) && !errors.Is(t.Err, watcher.ErrNoEvents) { // both are made good by looking
				ag.troubles.Say(ctx, notify.FromTrouble(ag.config.Bench, t.Error(), t.Hint, time.Now()))
			}
		},
	}))
}

// firstStart returns when an agent first used this store: logs from before are not taken
// where the configuration says so, at this start and at every later one.
func (ag *agent) firstStart(ctx context.Context) (time.Time, error) {
	const key = "agent.first_start"
	text, known, err := ag.store.Setting(ctx, key)
	if err != nil {
		return time.Time{}, err
	}
	if known {
		if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
			return t, nil
		}
	}
	now := time.Now().UTC()
	return now, ag.store.SetSetting(ctx, key, now.Format(time.RFC3339Nano))
}

func (ag *agent) tell() teller {
	return teller{ag.alerts, &ag.hub, ag.desk, ag.plan, ag.config.Bench, ag.log, ag.config.Checks.Required, ag.screen, ag.given}
}

func (ag *agent) close() {
	if ag.service != nil {
		ag.service.Close()
	}
	if ag.host != nil {
		ag.host.Close()
	}
	if ag.store != nil {
		if err := ag.store.Close(); err != nil {
			ag.log.Error().Err(err).Msg("close the store")
		}
	}
	if ag.lock != nil {
		ag.lock.Unlock()
	}
}
