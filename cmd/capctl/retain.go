package main

import (
	"errors"
	"fmt"
	"time"

	safe "capd.example/internal/text"

	"github.com/jedib0t/go-pretty/v6/table"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// retainCmd is `capctl retain`.
type retainCmd struct {
	LogDays       *int `placeholder:"N" help:"Drop kept logs of passes older than N days (default: store.log_days of the configuration); 0 keeps them."`
	TelemetryDays *int `placeholder:"N" help:"Drop the samples of passes older than N days (default: store.telemetry_days); 0 keeps them."`
	Drop          bool `help:"Do it; without this, only say what would go."`
	JSON          bool `name:"json" help:"One JSON object per pass."`
}

func (c *retainCmd) Run(a *app) error {
	rules, err := c.rules(a, time.Now())
	if err != nil {
		return err
	}
	if rules.LogsBefore.IsZero() && rules.TelemetryBefore.IsZero() {
		safe.Fprintln(a.stderr,
			"capctl: nothing is dropped; set limits with --log-days and --telemetry-days, or log_days and telemetry_days under [store]")
		return nil
	}
	if _, err := openToReadClose(a); err != nil {
		return err // must not make a store where there is none
	}
	s, err := openStore(a, !c.Drop)
	if err != nil {
		return err
	}
	defer s.Close()
	if rules.Keep, err = counted(a, s); err != nil {
		return err
	}
	done, err := s.Retain(a.ctx, rules, c.Drop)
	if err != nil {
		return cli.FailedError(err)
	}
	return c.print(a, done)
}

// counted returns the passes that the campaign of the configuration counts, with its tag or
// because they fit one of its cells.
func counted(a *app, s *store.Store) (ids []string, err error) {
	if a.config.Campaign == "" {
		return nil, nil
	}
	book, err := (campaignFlag{}).book(a)
	if err != nil {
		return nil, err
	}
	page, err := book.Read(a.ctx, s, a.config.Bench)
	if err != nil {
		return nil, cli.FailedError(err)
	}
	for i := range book.Plan.Len() {
		for _, p := range page.Coverage.Passes(i) {
			ids = append(ids, p.ID)
		}
	}
	return ids, nil
}

func (c *retainCmd) rules(a *app, now time.Time) (r store.Retention, err error) {
	for _, x := range []struct {
		flag   string
		given  *int
		config int
		to     *time.Time
	}{
		{"--log-days", c.LogDays, a.config.Store.LogDays, &r.LogsBefore},
		{"--telemetry-days", c.TelemetryDays, a.config.Store.TelemetryDays, &r.TelemetryBefore},
	} {
		days := x.config
		if x.given != nil {
			days = *x.given
		}
		if days < 0 {
			return r, cli.UsageError(fmt.Errorf("%s %d is negative", x.flag, days))
		}
		if days > 0 {
			*x.to = now.AddDate(0, 0, -days)
		}
	}
	return r, nil
}

func (c *retainCmd) print(a *app, done store.Retained) error {
	var logs, samples int64
	var rows []table.Row
	for _, d := range done.Passes {
		logs, samples = logs+d.LogBytes, samples+d.Telemetry
		if c.JSON {
			if err := output.JSON(a.stdout, d); err != nil {
				return cli.FailedError(err)
			}
		}
		rows = append(rows, table.Row{d.Pass, d.At.Local().Format(time.DateTime), d.LogBytes, d.Telemetry, printable(d.Log)})
	}
	if !c.JSON && len(rows) > 0 {
		output.Table(a.stdout, table.Row{"id", "started", "log, bytes", "samples, bytes", "log"}, rows)
	}
	verb := "would lose"
	if c.Drop {
		verb = "lost"
	}
	safe.Fprintf(a.stderr,
		"capctl: %s %s %.1f MB of kept logs and %.1f MB of samples; figures, tags, findings and frame times stay\n",
		record.Count(len(done.Passes), "pass"), verb, float64(logs)/1e6, float64(samples)/1e6)
	fits := ""
	if a.config.Campaign != "" {
		fits = fmt.Sprintf(", %d without one that the campaign counts", done.Kept)
	}
	safe.Fprintf(a.stderr, "capctl: untouched although old: %s with a campaign tag%s, %d in a report, %d not judged yet\n",
		record.Count(done.InCampaign, "pass"), fits, done.InUse, done.Unfinished)
	switch {
	case len(done.Passes) == 0:
	case c.Drop:
		a.say("hint: `capctl compact` gives the space back to the disk")
	default:
		a.say("hint: add --drop to do it; `capctl backup FILE` keeps a copy first")
	}
	return nil
}

// logCmd is `capctl log`.
type logCmd struct {
	ID       string `arg:"" help:"Identity of the pass, or the beginning of it."`
	Revision *int   `placeholder:"N" help:"The log as it was at this revision, 0 for the first that was stored; without it the latest."`
}

func (c *logCmd) Run(a *app) error {
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	p, err := s.Pass(a.ctx, c.ID)
	if errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrAmbiguous) {
		return cli.FailedError(err, "'capctl passes' lists the identities")
	} else if err != nil {
		return cli.FailedError(err)
	}
	revision := store.Current
	if c.Revision != nil {
		if revision = *c.Revision; revision < 0 {
			return cli.UsageError(fmt.Errorf("--revision %d: revisions count from 0", revision),
				"0 is the first that was stored; without --revision it is the latest")
		}
	}
	log, err := s.Log(a.ctx, p.ID, revision)
	if errors.Is(err, store.ErrNoRevision) {
		if latest, lerr := s.Log(a.ctx, p.ID, store.Current); lerr == nil && latest.Bytes == nil {
			return c.write(a, p, latest) // no log at all is the answer, whichever was asked for
		}
		return cli.FailedError(err, "'capctl show "+p.ID+"' says how often the log grew")
	} else if err != nil {
		return cli.FailedError(err, "it was at "+printable(p.Log))
	}
	return c.write(a, p, log)
}

// write gives the log out, or says why it cannot.
func (c *logCmd) write(a *app, p record.Pass, log store.KeptLog) error {
	which := "the log of pass " + p.ID
	if log.Revision != p.Revision {
		which += fmt.Sprintf(" at revision %d", log.Revision)
	}
	switch {
	case log.Bytes != nil:
		if _, err := a.stdout.Write(log.Bytes); err != nil {
			return cli.FailedError(fmt.Errorf("write the log: %w", err))
		}
		return nil
	case !log.DroppedAt.IsZero():
		return cli.FailedError(fmt.Errorf("%s was dropped by 'capctl retain' on %s", which,
			log.DroppedAt.Format(time.DateOnly)), "it was at "+printable(p.Log))
	}
	return cli.FailedError(fmt.Errorf("%s was not kept", which),
		"it was at "+printable(p.Log),
		"set keep_log = true under [store] in the agent's configuration to keep logs from now on")
}
