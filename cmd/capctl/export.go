package main

import (
	"fmt"
	"time"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

// exportCmd is `capctl export`.
type exportCmd struct {
	Out      string            `required:"" placeholder:"DIR" help:"Folder of the package; a second export into it writes only what is new or changed."`
	Format   string            `enum:"parquet,csv,jsonl" default:"parquet" help:"Form of the tables: ${enum}. jsonl is the one that capctl import takes in."`
	Tag      map[string]string `placeholder:"NAME=VALUE" help:"Only passes with this tag; VALUE may be a pattern with * and ?."`
	Campaign string            `help:"Only passes of this campaign."`
	Bench    string            `help:"Only passes of this bench."`
	Verdict  []string          `enum:"clean,unverified,doubtful,bad" help:"Only passes with one of these verdicts: ${enum}."`
	Since    time.Time         `format:"2006-01-02" placeholder:"DAY" help:"Only passes from this day on (UTC)."`
	Until    time.Time         `format:"2006-01-02" placeholder:"DAY" help:"Only passes before this day (UTC)."`
}

func (c *exportCmd) Run(a *app) error {
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	f := store.Filter{Tags: c.Tag, Campaign: c.Campaign, Bench: c.Bench, Since: c.Since, Until: c.Until}
	for _, v := range c.Verdict {
		f.Verdicts = append(f.Verdicts, record.Verdict(v))
	}
	done, err := export.Write(a.ctx, s, f, c.Out, export.Format(c.Format))
	if err != nil {
		return cli.FailedError(err)
	}
	fmt.Fprintf(a.stderr, "capctl: %s: %d passes written in %d files, %d were there already\n", c.Out, done.Written, done.Files, done.Unchanged)
	return nil
}
