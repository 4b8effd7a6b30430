package main

import (
	"encoding/json"
	"fmt"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store/export"
)

// importCmd is `capctl import`.
type importCmd struct {
	Dir  []string `arg:"" help:"Folders that capctl export --format jsonl wrote."`
	JSON bool     `help:"Print one JSON object per folder."`
}

func (c *importCmd) Run(a *app) error {
	s, err := openOrMakeStore(a)
	if err != nil {
		return err
	}
	defer s.Close()
	for _, dir := range c.Dir {
		taken, err := export.Read(a.ctx, s, dir)
		if err != nil {
			return cli.FailedError(err)
		}
		if c.JSON {
			err = json.NewEncoder(a.stdout).Encode(struct {
				Folder string `json:"folder"`
				export.Taken
			}{dir, taken})
		} else {
			_, err = fmt.Fprintf(a.stdout, "%s: %s taken in, %d known already\n", dir, record.Count(taken.New, "pass"), taken.Known)
		}
		if err != nil {
			return cli.FailedError(err)
		}
	}
	return nil
}
