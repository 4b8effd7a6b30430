package host

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"sync"
	"time"

	"github.com/hashicorp/go-hclog"
	"github.com/hashicorp/go-plugin"
	"github.com/hashicorp/go-plugin/runner"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"capd.example/plugins/internal/wire"
)

// process is a running, connected validator program.
type process struct {
	kit    *plugin.Client
	run    *child
	client *wire.Client
}

// start starts s and connects to it.
func start(ctx context.Context, o Options, dir string, s *source) (*process, error) {
	if err := s.verify(); err != nil {
		return nil, err
	}
	run := &child{argv: s.argv, maxMemory: o.MaxMemory, log: o.Logger.With().Str("from", s.name).Logger()}
	p := &process{run: run}
	p.kit = plugin.NewClient(&plugin.ClientConfig{
		HandshakeConfig:  wire.Handshake,
		VersionedPlugins: wire.HostSets(),
		AllowedProtocols: []plugin.Protocol{plugin.ProtocolGRPC},
		AutoMTLS:         !s.plain,
		SkipHostEnv:      true,
		StartTimeout:     o.StartWithin,
		UnixSocketConfig: &plugin.UnixSocketConfig{TempDir: dir},
		RunnerFunc: func(_ hclog.Logger, cmd *exec.Cmd, socketDir string) (runner.Runner, error) {
			return run.prepare(cmd, socketDir)
		},
		GRPCDialOptions: []grpc.DialOption{grpc.WithDefaultCallOptions(
			grpc.MaxCallRecvMsgSize(wire.MaxAnswer), grpc.MaxCallSendMsgSize(wire.MaxEvidence))},
		SyncStdout: run.output(), SyncStderr: run.messages(), Stderr: run.messages(),
		// What the library itself has to say is only of use to who mends it, and it says
		// what a validator writes a second time.
		Logger: hclog.NewNullLogger(),
	})
	connected := make(chan error, 1)
	go func() { connected <- p.connect() }()
	var err error
	select {
	case err = <-connected:
	case <-ctx.Done():
		err = context.Cause(ctx)
	case <-time.After(o.StartWithin):
		err = fmt.Errorf("it was not ready after %v", o.StartWithin)
	}
	if err != nil {
		why := err
		if ctx.Err() == nil {
			why = p.explain(err)
		}
		p.kill()
		return nil, fmt.Errorf("the validator did not start: %w", why)
	}
	return p, nil
}

func (p *process) connect() error {
	c, err := p.kit.Client()
	if err != nil {
		return err
	}
	if p.client, err = wire.Dispense(c); err != nil {
		return err
	}
	return nil
}

// call makes one call within the deadline and says in words what went wrong.
func (p *process) call(ctx context.Context, deadline time.Duration, what string, do func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, deadline)
	defer cancel()
	stop := context.AfterFunc(p.run.over, cancel)
	defer stop()
	err := do(ctx)
	if err == nil {
		return nil
	}
	if errors.Is(ctx.Err(), context.DeadlineExceeded) || status.Code(err) == codes.DeadlineExceeded {
		if p.run.cause() == nil && p.alive() {
			return fmt.Errorf("the validator did not %s within %v and was stopped", what, deadline)
		}
	}
	return p.explain(err)
}

// explain finds out why a call failed: a connection that broke has its reason in the
// process.
func (p *process) explain(err error) error {
	switch status.Code(err) {
	case codes.ResourceExhausted:
		return fmt.Errorf("the validator's answer is larger than %d kB: %s", wire.MaxAnswer>>10, status.Convert(err).
			Message())
	case codes.Unimplemented:
		return fmt.Errorf("the validator lacks a call of the protocol: %s", status.Convert(err).Message())
	case codes.Unavailable, codes.Canceled, codes.Unknown:
		p.run.waitBriefly()
	}
	if cause := p.run.cause(); cause != nil {
		return cause
	}
	if s, ok := status.FromError(err); ok {
		return fmt.Errorf("the validator answered with an error (%s): %s", s.Code(), s.Message())
	}
	return errors.New(strings.Join(strings.Fields(err.Error()), " "))
}

func (p *process) alive() bool { return p != nil && !p.run.exited() }

// kill ends the process at once, with all it started. The library's own way waits for an
// answer that a frozen process never gives, so the process goes first.
func (p *process) kill() {
	if p == nil {
		return
	}
	p.run.end()
	p.kit.Kill()
}

// stop asks the process to end and kills it when it does not.
func (p *process) stop() {
	if p == nil {
		return
	}
	var done sync.WaitGroup
	done.Go(p.kit.Kill)
	select {
	case <-p.run.gone:
	case <-time.After(time.Second):
	}
	p.run.end()
	done.Wait()
}
