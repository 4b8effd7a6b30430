package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"capd.example/internal/cli"
	"capd.example/record"
	"capd.example/store/export"
)

// importCmd is `capctl import`.
type importCmd struct {
	Dir  []string `arg:"" help:"Folders that capctl export --format jsonl wrote."`
	JSON bool     `help:"Print one JSON object per folder."`
}

// packageHint names what can be taken in; it was written on another bench, by its own
// configuration.
const packageHint = "name the folder that capctl export --format jsonl wrote on the other bench"

func (c *importCmd) Run(a *app) error {
	for _, dir := range c.Dir { // a mistyped name must not leave an empty store
		if info, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
			return cli.FailedError(fmt.Errorf("import: there is no folder %s", dir), packageHint)
		} else if err != nil {
			return cli.FailedError(fmt.Errorf("import: %w", err))
		} else if !info.IsDir() {
			return cli.FailedError(fmt.Errorf("import: %s is no folder", dir), packageHint)
		}
	}
	s, err := openOrMakeStore(a)
	if err != nil {
		return err
	}
	defer s.Close()
	for _, dir := range c.Dir {
		taken, err := export.Read(a.ctx, s, dir)
		if errors.Is(err, fs.ErrNotExist) {
			return cli.FailedError(err, packageHint)
		} else if err != nil {
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
