package agent

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/gofrs/flock"
	"github.com/rs/zerolog"

	"capd.example/config"
	"capd.example/control"
	"capd.example/framelog"
	"capd.example/internal/cli"
	"capd.example/internal/judging"
	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/page/pairing"
	"capd.example/pipeline"
	"capd.example/plugins/host"
	"capd.example/record"
	"capd.example/store"
	"capd.example/tag"
	"capd.example/watcher"
)

// Options are what an agent is built from.
type Options struct {
	Config config.Config
	Given  cli.Given // what hints and alerts repeat of the command line
	Bench  Machine   // the machine that the agent runs on
	Log    zerolog.Logger
	Screen Screen
	// Validators starts the standard validators: a command and its arguments.
	Validators []string
	// Page shows what the agent does until ctx ends, where the configuration asks for that; nil
	// for never. Passes are worth more than showing them: an error is a trouble and no more.
	Page func(ctx context.Context, in Inside) error
}

// Inside is what [Options.Page] gets of an agent.
type Inside struct {
	Agent   control.Agent // what it does, and what it can be told
	Events  *control.Hub
	Store   *store.Store
	Bench   Machine
	Pairing *pairing.Keeper      // who may see the page from elsewhere; nil where nobody may
	Started func(address string) // the page is there
	Changed func()               // an order was carried out
}

// Screen is where the agent shows alerts while it runs.
type Screen struct {
	Out      io.Writer
	Terminal bool       // somebody may be looking
	Colour   bool       // colours may be written
	Width    func() int // columns, 0 where nobody knows; nil where it is no terminal
}

// Agent is everything that runs; it is built whole before anything starts.
type Agent struct {
	config config.Config
	given  cli.Given // for alerts, whose readers sit in other folders
	log    zerolog.Logger
	lock   *flock.Flock
	store  *store.Store
	out    outside
	host   checker
	bench  Machine
	watch  *watcher.Watcher
	alerts *notify.Dispatcher
	screen *notify.Rule // what the terminal shows of the alerts
	steps  *pipeline.Pipeline

	troubles notify.Troubles
	owed     owed // passes that a validator that failed still owes an answer

	ending   ending
	fresh    chan struct{} // passes were judged: the lab may have them
	stuck    bool          // the store could not take the last pass or verdict
	behind   bool          // a stored pass that is to be judged cannot be read
	retry    time.Time     // when it is tried again then, where no log comes
	lost     bool          // that file is no longer there, or another one is
	identity os.FileInfo   // of the store's file when it was opened
	held     time.Time     // until when another program judges passes again; zero: none is left to it
	kept     time.Time     // what checking took is kept since the log that was carried then; zero: it was given back
	backlog  backlog
	hub      control.Hub
	plan     *planner
	intake   *intake
	tags     manualTags
	service  *service
	server   *control.Server
	page     func(context.Context) error
}

// New builds an agent. Errors carry the exit status and a hint of [cli].
func New(ctx context.Context, o Options) (*Agent, error) {
	ag, err := build(ctx, o, world(o.Bench, o.Validators))
	if err == nil && o.Page != nil && o.Config.Page.Listen != "" {
		ag.service.pairing, ag.service.unpaired = pairing.Open(o.Config.Data)
		ag.page = func(ctx context.Context) error { return ag.show(ctx, o.Page) }
	}
	return ag, err
}

func build(ctx context.Context, o Options, out outside) (_ *Agent, err error) {
	ag := &Agent{out: out, config: o.Config, given: anywhere(o.Given), log: o.Log, fresh: make(chan struct{}, 1),
		ending: ending{asked: make(chan struct{}, 1)}}
	defer func() {
		if err != nil {
			ag.Close()
		}
	}()
	if wrong := WrongSettings(o.Config); len(wrong) > 0 {
		return nil, cli.UsageError(config.InFile(o.Config.From, errors.Join(wrong...)),
			"'capd check --settings' lists every setting with its meaning")
	}
	templates, err := tag.ParseTemplates(o.Config.Tags.Paths)
	if err != nil {
		return nil, cli.UsageError(err)
	}
	if ag.plan, err = newPlanner(o.Config, ag.log); err != nil {
		return nil, err
	}
	if err := ag.takeFolders(); err != nil {
		return nil, err
	}
	if ag.store, err = store.Open(ctx, o.Config.StoreFile(), store.Options{}); err != nil {
		return nil, cli.FailedError(err)
	}
	if ag.host, err = out.checks(ag); err != nil {
		return nil, cli.FailedError(fmt.Errorf("prepare the validators: %w", err))
	}
	if ag.alerts, err = ag.dispatcher(ctx, o.Screen); err != nil {
		return nil, err
	}
	ag.bench = out.bench
	ag.troubles.Bench, ag.troubles.Send = o.Config.Bench,
		func(ctx context.Context, alert notify.Alert) error { return ag.tell().send(ctx, alert) }
	ag.troubles.Turned = ag.turned
	if err := ag.owed.load(ctx, ag.store); err != nil {
		return nil, cli.FailedError(err)
	}
	if err := ag.tags.load(ctx, ag.store); err != nil {
		return nil, cli.FailedError(err)
	}
	if next, _ := ag.tags.coming(); len(next) > 0 {
		ag.log.Warn().Interface("tags",
			next).Msg("tags that were given by hand before this start are still in force; 'capctl begin --by-hand' alone takes them back")
	}
	if ag.identity, err = os.Stat(ag.store.Path()); err != nil {
		return nil, cli.FailedError(err)
	}
	if ag.watch, err = ag.watcher(ctx); err != nil {
		return nil, cli.FailedError(err)
	}
	ag.intake, ag.service = newIntake(), &service{agent: ag, since: time.Now()}
	if ag.server, err = out.listen(ctx, o.Config.Data, ag.service, &ag.hub); errors.Is(err, control.ErrTaken) {
		return nil, cli.FailedError(err, "stop the other agent, or give this one a folder of its own with --data")
	} else if err != nil {
		// The system may have no such sockets, or the path may be too long for one. Passes
		// are worth more than talking about them.
		ag.log.Warn().Err(err).Msg("capctl cannot talk to this agent (status, follow, begin, pause); everything else works")
		ag.server = nil
	}
	c := o.Config
	kept := remembering{ag, passStore{judging.Cells{Store: ag.store, Who: "capd", Tell: true}, ag.store}}
	ag.steps = &pipeline.Pipeline{
		Reader: reader(c), Bench: bench{ag.bench, c.System.Declared}, Store: kept, Checks: kept,
		Tell: ag.tell(),
		Know: pipeline.Knowledge{
			Bench: c.Bench, Templates: templates, Header: c.Tags.Header, Fixed: c.Tags.Fixed,
			Order: tag.Order(c.Tags.Trust), Factors: record.CellFactors, Required: c.Checks.Required, Must: c.System.Must,
			Hand: ag.tags.at, Present: ag.service.since,
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
	ag.plan.teach(ctx, ag.store, &ag.steps.Know)
	ag.steps.Know.Spread = judging.Spread(ag.store, ag.steps.Know.Factors)
	ag.steps.Know.Settle = judging.Settle(c.Checks, ag.steps.Know.Spread,
		judging.Across(ag.store, ag.steps.Know.Factors, c.Analysis.SessionSDPercent/100), judging.Neighbours(ag.store))
	if h, is := ag.host.(*host.Host); is {
		ag.steps.Know.Keep = judging.Keep(ag.store, h, true,
			append(slices.Clone(c.Checks.Off), pipeline.AssertionsCheck, tag.CheckName)...)
	}
	return ag, nil
}

// anywhere is the same for readers in other folders.
func anywhere(given cli.Given) cli.Given {
	out := slices.Clone(given)
	for i, o := range out {
		if abs, err := filepath.Abs(o.Value); err == nil && o.Value != "" {
			out[i].Value = abs
		}
	}
	return out
}

// takeFolders makes the folders and makes sure that no second agent uses the data.
func (ag *Agent) takeFolders() error {
	for dir, mode := range map[string]os.FileMode{ag.config.Data: 0o700, ag.config.Watch: 0o755} {
		if err := os.MkdirAll(dir, mode); err != nil {
			return cli.FailedError(fmt.Errorf("make the folder: %w", err), "choose others with --data and --watch")
		}
	}
	ag.lock = flock.New(control.LockPath(ag.config.Data))
	// Whoever asks whether an agent runs holds the lock for a moment.
	ctx, stop := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer stop()
	got, err := ag.lock.TryLockContext(ctx, 10*time.Millisecond)
	if errors.Is(err, context.DeadlineExceeded) {
		got, err = false, nil
	}
	if err != nil {
		return cli.FailedError(fmt.Errorf("lock the data folder %s: %w", ag.config.Data, err))
	}
	if !got {
		return cli.FailedError(fmt.Errorf("another agent is using the data folder %s", ag.config.Data),
			"stop it, or give this one a folder of its own with --data")
	}
	return nil
}

func (ag *Agent) dispatcher(ctx context.Context, screen Screen) (*notify.Dispatcher, error) {
	n := ag.config.Notify
	if screen.Terminal {
		rule := alertRule(n, "terminal")
		ag.screen = &rule
	}
	channels, err := ag.out.routes(routes.Options{
		Out: screen.Out, Width: screen.Width, Colour: screen.Colour, Bell: screen.Terminal && n.Bell,
		Command: n.Command, WebHook: n.WebHook, Secret: n.Secret, Services: n.Services, Desktop: n.Desktop, Sound: n.Sound,
		Queue: alertQueue{ag.store}, Timeout: config.Seconds(n.TimeoutS), Group: config.Seconds(n.GroupS),
		Rule: func(channel string) notify.Rule { return alertRule(n, channel) },
	})
	if err != nil {
		return nil, cli.UsageError(err)
	}
	d, err := notify.New(channels, func(o notify.Outcome) {
		ag.channel(ctx, o)
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
func (ag *Agent) channel(ctx context.Context, o notify.Outcome) {
	key := "channel-" + o.Channel
	switch {
	case o.Err == nil:
		ag.troubles.Clear(key)
		ag.turned() // an alert fewer waits
	case o.Next.IsZero():
		ag.troubles.Raise(ctx, key, fmt.Sprintf("the agent gave up an alert to the channel %s: %v", o.Channel, o.Err),
			"correct the channel and try it with 'capctl alerts --test'; 'capctl alerts' lists the undelivered alerts")
	case o.Waited > channelPatience:
		ag.troubles.Raise(ctx, key, fmt.Sprintf("alerts to the channel %s do not arrive: %v", o.Channel, o.Err),
			"correct the channel; the agent keeps the alerts and tries again")
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

func (ag *Agent) watcher(ctx context.Context) (*watcher.Watcher, error) {
	f := ag.config.Files
	first, err := ag.firstStart(ctx)
	if err != nil {
		return nil, err
	}
	return watcher.New(ag.out.watch(watcher.Options{
		Folder: ag.config.Watch, Patterns: f.Patterns, Existing: true,
		Table:   func(path string) bool { return framelog.Begins(path, readerOptions(ag.config)) },
		Noticed: ag.bench.Hasten, // a pass is running, or has just run
		Turned:  ag.turned,
		Beat:    ag.bench.Beats(),
		Quiet:   config.Seconds(f.QuietS), Latest: config.Seconds(f.LatestS), Poll: config.Seconds(f.PollS),
		Known: func(file watcher.File) bool {
			if !f.Existing && file.ModTime.Before(first) {
				return true
			}
			known, err := ag.store.KnownFile(ctx, store.FileMark{Path: file.Path, Size: file.Size, ModTime: file.ModTime,
				ID: file.FileID})
			return err == nil && known
		},
		Trouble: func(t watcher.Trouble) {
			ag.log.Warn().Err(t.Err).Str("path", t.Path).Str("hint", t.Hint).Msg("the watched folder")
			// both are made good by looking
			if !errors.Is(t.Err, watcher.ErrOverflow) && !errors.Is(t.Err, watcher.ErrNoEvents) {
				ag.troubles.Say(ctx, notify.FromTrouble(ag.config.Bench, t.Error(), t.Hint, time.Now()))
			}
		},
	}))
}

// firstStart returns when an agent first used this store: logs from before are not taken
// where the configuration says so, at this start and at every later one.
func (ag *Agent) firstStart(ctx context.Context) (time.Time, error) {
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

// turned tells who watches the agent that its status is another one.
func (ag *Agent) turned() { ag.hub.Publish(control.Event{Kind: control.KindState, At: time.Now()}) }

func (ag *Agent) tell() teller {
	return teller{ag.alerts, &ag.hub, ag.service, ag.plan, ag.config.Bench, ag.log, ag.config.Checks.Required, ag.screen,
		ag.given}
}

// Close gives back what New took. [Agent.Run] must have returned.
func (ag *Agent) Close() {
	if ag.server != nil {
		ag.server.Close()
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
