package main

import (
	"cmp"
	"errors"
	"os"
	"slices"
	"strings"
	"time"

	"capd.example/internal/cli"
	"capd.example/internal/labtalk"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/record"
	"capd.example/store/lab"
)

// labCmd is `capctl lab`.
type labCmd struct {
	Address string `env:"CAPD_LAB" placeholder:"postgres://..." help:"Where the lab's database is (default: lab.address of the configuration); better in the environment variable, since a command line can be read by others."`

	Setup  labSetupCmd  `cmd:"" help:"Make the lab's tables and roles, or bring them up to date." example:"capctl lab setup --address postgres://lab.local/benches"`
	Assign labAssignCmd `cmd:"" help:"Tie a login to a bench, in the place of the one that it had." example:"capctl lab assign bench_1 bench-1"`
	Status labStatusCmd `cmd:"" help:"List the benches: passes, last seen, backlog." example:"capctl lab status"`
	Watch  labWatchCmd  `cmd:"" help:"Watch over all benches: alert when one falls silent, falls behind, has a wrong clock or records bad passes." example:"capctl lab watch --silent 20m"`
	Page   labPageCmd   `cmd:"" help:"Show all benches on a live page, to browsers of this machine." example:"capctl lab page"`
	Send   labSendCmd   `cmd:"" help:"Send what is new on this bench now." example:"capctl lab send"`
	Passes labPassesCmd `cmd:"" help:"Print the passes of all benches as JSON, one object per line." example:"capctl lab passes"`
}

// open connects to the lab.
func (c *labCmd) open(a *app) (*lab.Lab, error) {
	c.Address = cmp.Or(c.Address, a.config.Lab.Address)
	if c.Address == "" {
		return nil, cli.UsageError(errors.New("the lab's address is not known"),
			"set CAPD_LAB=postgres://USER@HOST/DATABASE?sslmode=verify-full, lab.address in the configuration, or use --address")
	}
	return openLab(a, c.Address)
}

func openLab(a *app, address string) (*lab.Lab, error) {
	if err := lab.Check(address); err != nil {
		return nil, cli.UsageError(err, "write postgres://USER@HOST/DATABASE?sslmode=verify-full")
	}
	l, err := lab.Open(a.ctx, address)
	if err != nil {
		return nil, cli.FailedError(errors.New(onceEach(err.Error())),
			"see that the database runs and can be reached from here, and that host, port, user and password of the address are right")
	}
	if a.asSent {
		l.AsSent()
	}
	a.labs = append(a.labs, l)
	return l, nil
}

func labError(err error) error {
	if errors.Is(err, lab.ErrNotLab) {
		return cli.FailedError(err, "`capctl lab setup` makes the tables")
	}
	return cli.FailedError(errors.New(onceEach(err.Error())))
}

// onceEach makes one line of the lines of a text and says once what several say.
func onceEach(text string) string {
	var out []string
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" && !slices.Contains(out, line) {
			out = append(out, line)
		}
	}
	return strings.ReplaceAll(strings.Join(out, "; "), ":; ", ": ")
}

type labSetupCmd struct {
	Roles       bool `default:"true" negatable:"" help:"Also make the roles capd_agent and capd_reader with row-level security."`
	Distributed bool `help:"Spread the tables over the workers of a cluster: on a coordinator with the extension citus."`
}

func (c *labSetupCmd) Run(a *app, parent *labCmd) error {
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	did, err := l.Setup(a.ctx, lab.Options{Roles: c.Roles, Distributed: c.Distributed})
	for _, line := range did {
		safe.Fprintf(a.stderr, "capctl: %s\n", line)
	}
	if err != nil {
		return labError(err)
	}
	safe.Fprintf(a.stderr, "capctl: the tables of %s are up to date\n", l.Name())
	return nil
}

type labAssignCmd struct {
	Login string `arg:"" help:"Role in the database, a member of capd_agent."`
	Bench string `arg:"" help:"Name of the bench in its configuration."`
}

func (c *labAssignCmd) Run(a *app, parent *labCmd) error {
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	if err := l.Assign(a.ctx, c.Login, c.Bench); err != nil {
		return labError(err)
	}
	safe.Fprintf(a.stderr, "capctl: %s writes for bench %s now, and no other login does\n", c.Login, c.Bench)
	return nil
}

type labStatusCmd struct {
	JSON bool `help:"Print one JSON object per bench."`
}

func (c *labStatusCmd) Run(a *app, parent *labCmd) error {
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	list, err := l.Status(a.ctx)
	if err != nil {
		return labError(err)
	}
	return labtalk.Benches(a.Streams, list, c.JSON)
}

type labSendCmd struct{}

func (c *labSendCmd) Run(a *app, parent *labCmd) error {
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	l.Close()
	if _, err := os.Stat(a.config.StoreFile()); err != nil {
		_, err := openToRead(a) // says what to do
		return err
	}
	s, err := openStore(a, false)
	if err != nil {
		return err
	}
	defer s.Close()
	f := &lab.Forwarder{Store: s, Bench: a.config.Bench, Address: parent.Address}
	n, err := f.Forward(a.ctx)
	if err != nil {
		return labError(err)
	}
	safe.Fprintf(a.stderr, "capctl: %s sent\n", record.Count(n, "pass"))
	return nil
}

type labPassesCmd struct {
	filterFlags
}

func (c *labPassesCmd) Run(a *app, parent *labCmd) error {
	a.json = true
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	f, err := c.Parse(time.Now())
	if err != nil {
		return err
	}
	var write error
	err = l.Each(a.ctx, f, func(p record.Pass) error {
		write = output.JSON(a.stdout, p)
		return write
	})
	if write != nil {
		return cli.FailedError(write)
	}
	if err != nil {
		return labError(err)
	}
	return nil
}
