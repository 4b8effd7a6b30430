package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/pelletier/go-toml/v2"

	"capd.example/config"
	"capd.example/internal/cli"
)

// checkCmd is `capd check`.
type checkCmd struct{}

func (checkCmd) Run(a *app) error {
	c := a.config
	from := c.From
	if from == "" {
		from = "none (defaults; put one at " + config.DefaultFile() + ")"
	}
	fmt.Fprintf(a.stderr, "configuration file: %s\n", from)
	fmt.Fprintf(a.stderr, "capd would watch %s for %v and keep passes in %s\n", c.Watch, c.Files.Patterns, c.StoreFile())
	wrong := wrongSettings(c)
	if len(c.Tags.Paths) == 0 {
		fmt.Fprintln(a.stderr, "tags.paths is empty: game, resolution, preset and pass will be unknown unless a log's heading names them")
	}
	if info, err := os.Stat(c.Watch); errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintln(a.stderr, "the watched folder does not exist yet: 'capd run' makes it")
	} else if err != nil {
		wrong = append(wrong, fmt.Errorf("watch: %w", err))
	} else if !info.IsDir() {
		wrong = append(wrong, fmt.Errorf("watch: %s is a file, not a folder", c.Watch))
	}
	if info, err := os.Stat(c.Data); err == nil && !info.IsDir() {
		wrong = append(wrong, fmt.Errorf("data: %s is a file, not a folder", c.Data))
	}
	if err := aboutCampaign(a.stderr, c); err != nil {
		wrong = append(wrong, err)
	}
	c.Notify, c.Lab = c.Notify.Hidden(), c.Lab.Hidden()
	text, err := toml.Marshal(c)
	if err != nil {
		return cli.FailedError(fmt.Errorf("print the configuration: %w", err))
	}
	fmt.Fprintln(a.stderr, "the settings in force, as a configuration file:")
	if _, err := a.stdout.Write(text); err != nil {
		return cli.FailedError(err)
	}
	if err := errors.Join(wrong...); err != nil {
		return cli.UsageError(err)
	}
	return nil
}
