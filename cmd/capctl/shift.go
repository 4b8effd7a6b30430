package main

import (
	"cmp"
	"time"

	"capd.example/internal/selection"
	"capd.example/internal/steering"

	"capd.example/internal/cli"
	"capd.example/internal/logbook"
	"capd.example/internal/output"
	"capd.example/store"
)

// shiftCmd is `capctl shift`.
type shiftCmd struct {
	campaignFlag
	Since string `placeholder:"TIME" help:"When the shift began (default: after the last pause of four hours or more): 2006-01-02, '2006-01-02 15:04:05', 14:30, today, yesterday or a time ago such as 8h."`
	JSON  bool   `name:"json" help:"One JSON object."`
}

func (c *shiftCmd) Run(a *app) error {
	now := time.Now()
	since, err := selection.Moment("--since", c.Since, now)
	if err != nil {
		return err
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	passes, err := s.Passes(a.ctx, store.Filter{Bench: a.config.Bench, Since: since})
	if err != nil {
		return cli.FailedError(err)
	}
	if since.IsZero() {
		passes = steering.LastShift(passes)
	}
	if len(passes) == 0 {
		nothing(a, "no pass of this shift is stored", "'capctl shift --since yesterday' looks further back")
		return nil
	}
	var b *logbook.Book
	var page logbook.Page
	if cmp.Or(c.Campaign, a.config.Campaign) != "" {
		if b, page, err = c.page(a); err != nil {
			return err
		}
	}
	x := steering.SumUp(a.config.Bench, passes, b, page, now)
	if c.JSON {
		return output.JSON(a.stdout, x)
	}
	x.Print(a.Streams, b)
	return nil
}
