package checkup

import (
	"context"
	"time"

	"capd.example/config"
	"capd.example/control"
	"capd.example/internal/autostart"
	"capd.example/internal/cli"
	"capd.example/watcher"
)

// Here is this machine. Validators starts the standard validators.
func Here(c config.Config, bench Machine, validators []string) World {
	w := World{
		Now: time.Now(), Version: cli.Version(), Machine: bench, Validator: validators, Remote: watcher.Remote,
		Autostart: func(ctx context.Context) (autostart.State, error) {
			p, err := autostart.Here(ctx)
			if err != nil {
				return autostart.State{}, err
			}
			return p.Look(ctx)
		},
		Agent: func(ctx context.Context) (s control.Status, err error) {
			agent, err := control.Dial(ctx, c.Data)
			if err != nil {
				return s, err
			}
			defer agent.Close()
			return agent.Status(ctx)
		},
	}
	if t, err := time.Parse(time.RFC3339, cli.Build().Date); err == nil {
		w.Built = t
	}
	w.system()
	return w
}
