package agent

import (
	"context"
	"time"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/notify"
	"capd.example/notify/routes"
	"capd.example/pipeline"
	"capd.example/plugins/host"
	"capd.example/record"
	"capd.example/sysinfo/owncost"
	"capd.example/watcher"
)

// Machine is the bench that the agent runs on: what package sysinfo reads of it.
type Machine interface {
	Sample(context.Context) error
	Sampling() record.Sampling
	Hasten()
	Beats() <-chan struct{}
	Detect(context.Context) record.System
	Boot(now time.Time) (record.Boot, bool)
	WindowFor(from, to time.Time, program string) (*record.Telemetry, error)
}

// checker runs the validators, and says which of them give no answers; Idle gives back what
// checking took.
type checker interface {
	pipeline.Checker
	Later() bool
	Failing() []host.Failing
	Idle()
	Close() error
}

// outside is what the agent meets the world through, besides its folders and its store. A
// simulation with invented time hands in another one: no processes, no sockets, and no
// events of the system, all of which have a time of their own.
type outside struct {
	bench  Machine
	checks func(*Agent) (checker, error)
	routes func(routes.Options) ([]notify.Route, error)
	watch  func(watcher.Options) watcher.Options // what is left open about watching
	listen func(ctx context.Context, dataDir string, agent control.Agent, hub *control.Hub) (*control.Server, error)
	rest   func() // before the next pass: memory that was used is given back
}

func world(bench Machine, standard []string) outside {
	return outside{
		bench:  bench,
		checks: func(ag *Agent) (checker, error) { return validators(ag, standard) },
		routes: routes.Build,
		watch:  func(o watcher.Options) watcher.Options { return o },
		listen: control.Listen,
		rest:   owncost.ReleaseMemory,
	}
}

func validators(ag *Agent, standard []string) (checker, error) {
	o := host.Settings(ag.config.Checks, standard, cli.Version(), ag.log)
	o.TempDir = ag.config.Data // what a killed agent left there is cleared at the next start
	h, err := host.New(o)
	if err != nil {
		return nil, err // not a checker that holds no host
	}
	return h, nil
}
