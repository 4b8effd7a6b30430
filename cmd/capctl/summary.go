package main

import (
	"capd.example/internal/output"
	"capd.example/internal/results"
	"capd.example/internal/selection"
	"capd.example/report"
)

// summaryCmd is `capctl summary`.
type summaryCmd struct {
	JSON     bool `name:"json" xor:"form" help:"One JSON object per sentence, with its claims."`
	Markdown bool `name:"markdown" xor:"form" help:"A Markdown list."`
	wholeFlags
}

func (c *summaryCmd) Run(a *app) error {
	in, err := c.input(a)
	if err != nil {
		return err
	}
	if len(in.Passes) == 0 {
		c.noPass(a)
		return nil
	}
	r, err := report.Conclude(in)
	if err != nil {
		return err
	}
	form := output.Form{JSON: c.JSON, Markdown: c.Markdown}
	if err := results.PrintSentences(a.Streams, form, r.Sentences); err != nil {
		return err
	}
	return selection.PrintNotes(a.Streams, form, in.Notes)
}
