package main

import (
	"errors"
	"fmt"

	"capd.example/internal/cli"
	"capd.example/internal/listing"
	"capd.example/internal/steering"
	"capd.example/internal/text"
	"capd.example/record"
	"capd.example/store"
)

// noteCmd is `capctl note`.
type noteCmd struct {
	Text  string   `placeholder:"TEXT" help:"The note. Without it notes are listed."`
	Undo  string   `placeholder:"NOTE" help:"Take a note back, or the taking back of one."`
	New   bool     `help:"A level that the campaign does not have is meant."`
	All   bool     `help:"List those too that were taken back."`
	JSON  bool     `name:"json" help:"One JSON object per note."`
	About []string `arg:"" optional:"" name:"name=value" help:"What it is about: gpu=NAME, cpu=NAME, game=NAME or campaign=NAME; several of them for a cell."`
}

func (c *noteCmd) Run(a *app) error {
	words, about, err := (&tagCmd{What: c.About}).split()
	switch {
	case err != nil:
		return err
	case len(words) > 0:
		return cli.UsageError(fmt.Errorf("%q is nothing that a note can be about", words[0]),
			"write it as gpu=NAME, and the note as --text TEXT")
	case c.Undo != "" && (len(about) > 0 || c.Text != ""):
		return cli.UsageError(errors.New("--undo takes a note back by its identity: leave the rest out"))
	case c.Text != "" && (len(about) == 0 || text.Blank(c.Text)):
		return cli.UsageError(errors.New("a note needs a text and something that it is about"),
			"write gpu=NAME, cpu=NAME, game=NAME or campaign=NAME; several of them name a cell")
	}
	s, err := openStore(a, c.Undo == "" && c.Text == "")
	if err != nil {
		return err
	}
	defer s.Close()
	switch {
	case c.Undo != "":
		undo, err := s.UndoNote(a.ctx, c.Undo, userName())
		if errors.Is(err, store.ErrNoNote) {
			return cli.FailedError(err, "'capctl note' lists the notes")
		} else if err != nil {
			return cli.FailedError(err)
		}
		a.say("note %s taken back; undo with 'capctl note --undo %s'", c.Undo, undo)
		return nil
	case c.Text == "":
		all, err := s.Notes(a.ctx)
		if err != nil && !errors.Is(err, store.ErrCorrupt) {
			return cli.FailedError(err)
		}
		if shown := listing.Notes(a.Streams, all, about, c.All, c.JSON); shown != nil || err == nil {
			return shown
		}
		return cli.FailedError(err)
	}
	return c.write(a, s, about)
}

// write stores the note, under the names that the campaign has for parts.
func (c *noteCmd) write(a *app, s *store.Store, about map[string]string) error {
	err := checkNames(a, s, about, c.New)
	if err == nil {
		about, err = steering.ReviewersNames(a.config.Campaign, about, c.New)
	}
	if err != nil {
		return err
	}
	id, err := s.Note(a.ctx, about, text.Line(c.Text), userName())
	if err != nil {
		return cli.FailedError(err)
	}
	a.say("noted on %s; undo with 'capctl note --undo %s'", record.Note{About: about}.Place(), id)
	if n, err := s.Count(a.ctx, store.Filter{Tags: about}); err == nil && n == 0 {
		a.say("no pass is of it yet: 'capctl passes --tag NAME=VALUE' lists what is spelt otherwise")
	}
	return nil
}
