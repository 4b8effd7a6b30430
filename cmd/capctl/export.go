package main

import (
	"path/filepath"
	"time"

	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store/export"
)

// exportCmd is `capctl export`.
type exportCmd struct {
	Out    string `required:"" placeholder:"DIR" help:"Folder of the package; a second export into it writes only what is new or changed."`
	Format string `enum:"parquet,csv,jsonl" default:"parquet" help:"Form of the tables: ${enum}. capctl import takes each of them."`
	filterFlags
}

func (c *exportCmd) Run(a *app) error {
	if err := isNoFile(c.Out); err != nil {
		return err
	}
	f, err := c.Parse(time.Now())
	if err != nil {
		return err
	}
	s, err := openReader(a)
	if err != nil {
		return err
	}
	defer s.Close()
	done, err := export.Write(a.ctx, s, f, c.Out, export.Format(c.Format))
	if err != nil {
		return cli.FailedError(err)
	}
	warnOfNotes(a, done)
	safe.Fprintf(a.stderr, "capctl: %s: %s written in %s, %d unchanged\n", c.Out, record.Count(done.Written, "pass"),
		record.Count(done.Files, "file"), done.Unchanged)
	return nil
}

// warnOfNotes says that notes were left out.
func warnOfNotes(a *app, done export.Done) {
	if err := done.NotesLeftOut; err != nil {
		a.say("warning: the passes are all there, notes are not: %v; 'capctl verify' says what is whole", err)
	}
}

// sendCmd is `capctl send`.
type sendCmd struct {
	File string `arg:"" help:"The file to write; it must not be there yet."`
	filterFlags
}

func (c *sendCmd) Run(a *app) error {
	f, err := c.Parse(time.Now())
	if err != nil {
		return err
	}
	s, err := openReader(a)
	if err != nil {
		return err
	}
	defer s.Close()
	done, err := export.Send(a.ctx, s, f, c.File)
	if err != nil {
		return cli.FailedError(err)
	}
	if done.Written == 0 {
		c.noPass(a)
		return nil
	}
	warnOfNotes(a, done)
	what := record.Count(done.Written, "pass")
	if done.Notes > 0 {
		what += " and " + record.Count(done.Notes, "note")
	}
	safe.Fprintf(a.stderr, "capctl: %s in %s; your colleague types: capctl import %s\n", what,
		c.File, cli.Quoted(filepath.Base(c.File)))
	return nil
}
