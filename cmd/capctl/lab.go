package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store/lab"
)

// labCmd is `capctl lab`.
type labCmd struct {
	Address string `env:"CAPD_LAB" placeholder:"postgres://..." help:"Where the lab's database is (default: lab.address of the configuration); better in the environment variable, since a command line can be read by others."`

	Setup  labSetupCmd  `cmd:"" help:"Make the lab's tables and roles, or bring them up to date." example:"capctl lab setup --address postgres://lab.local/benches"`
	Status labStatusCmd `cmd:"" help:"List the benches: passes, last seen, backlog." example:"capctl lab status"`
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
	Roles bool `default:"true" negatable:"" help:"Also make the roles capd_agent and capd_reader with row-level security."`
}

func (c *labSetupCmd) Run(a *app, parent *labCmd) error {
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	if err := l.Setup(a.ctx, c.Roles); err != nil {
		return labError(err)
	}
	safe.Fprintf(a.stderr, "capctl: the tables of %s are up to date\n", l.Name())
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
	if c.JSON {
		for _, b := range list {
			if err := output.JSON(a.stdout, b); err != nil {
				return cli.FailedError(err)
			}
		}
		return nil
	}
	if len(list) == 0 {
		safe.Fprintln(a.stderr,
			"capctl: no bench has sent anything yet: set lab.address in the benches' configurations, or run 'capctl lab send' there")
		return nil
	}
	var rows []table.Row
	for _, b := range list {
		rows = append(rows, table.Row{printable(b.Name), b.Passes, b.Bad, b.SeenAt.Format(time.RFC3339), b.Backlog,
			fmt.Sprintf("%.1f s", b.Skew)})
	}
	output.Table(a.stdout, table.Row{"bench", "passes", "bad", "last seen", "backlog", "clock off by"}, rows)
	return nil
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
	l, err := parent.open(a)
	if err != nil {
		return err
	}
	defer l.Close()
	f, err := c.Parse(time.Now())
	if err != nil {
		return err
	}
	list, err := l.Passes(a.ctx, f)
	if err != nil {
		return labError(err)
	}
	for _, p := range list {
		if err := output.JSON(a.stdout, p); err != nil {
			return cli.FailedError(err)
		}
	}
	return nil
}
