package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
	"capd.example/store/export"
)

// importCmd is `capctl import`.
type importCmd struct {
	Dir  []string `arg:"" name:"package" help:"Files that capctl send wrote, and folders that capctl export wrote in any format."`
	JSON bool     `help:"Print one JSON object per package."`
}

// packageHint names what can be taken in; it was written on another bench, by its own
// configuration.
const packageHint = "name the file that capctl send, or the folder that capctl export wrote on the other bench"

func (c *importCmd) Run(a *app) error {
	for _, dir := range c.Dir { // a mistyped name must not leave an empty store
		if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
			return cli.FailedError(fmt.Errorf("import: there is no %s", dir), packageHint)
		} else if err != nil {
			return cli.FailedError(fmt.Errorf("import: %w", err))
		}
	}
	s, err := openOrMakeStore(a)
	if err != nil {
		return err
	}
	defer s.Close()
	refused := false
	for _, dir := range c.Dir {
		taken, err := export.Read(a.ctx, s, dir)
		if errors.Is(err, fs.ErrNotExist) {
			return cli.FailedError(err, packageHint)
		} else if err != nil {
			return cli.FailedError(err)
		}
		if c.JSON {
			err = output.JSON(a.stdout, struct {
				Folder string `json:"folder"`
				export.Taken
			}{dir, taken})
		} else {
			err = printTaken(a, dir, taken)
		}
		if err != nil {
			return cli.FailedError(err)
		}
		if err := settleImported(a, s, taken.IDs); err != nil {
			return err
		}
		refused = refused || len(taken.Refused) > 0
	}
	if refused {
		return cli.ErrFound
	}
	return nil
}

// settleImported holds the passes that came against those that are here, and the other way
// round, once for each cell. Those that were known already are looked at too: an import may
// have been cut short.
func settleImported(a *app, s *store.Store, ids []string) error {
	if len(ids) == 0 {
		return nil
	}
	h, err := newHold(a.ctx, s)
	if err != nil {
		return err
	}
	defer h.end(a.ctx)
	x, err := newExaminer(a, s, h, false)
	if err != nil {
		return err
	}
	defer x.close()
	type set struct{ cell, campaign, bench, system string }
	done := map[set]bool{}
	for _, id := range ids {
		p, err := s.Pass(a.ctx, id)
		if err != nil {
			return cli.FailedError(err)
		}
		of := set{fmt.Sprintf("%q", p.Tags.Cell(x.steps.Know.Factors)), p.Tags.Value(record.TagCampaign), p.Bench, p.System}
		if done[of] {
			continue
		}
		done[of] = true
		if err := x.settled(x.settler("passes were imported into its cell").Pass(a.ctx, p.ID)); err != nil {
			return cli.FailedError(err)
		}
	}
	x.tell(a, nil)
	return nil
}

func printTaken(a *app, dir string, taken export.Taken) error {
	text := fmt.Sprintf("%s: %s imported, %d known already", dir, record.Count(taken.New, "pass"), taken.Known)
	for _, x := range []struct {
		n    int
		what string
	}{
		{taken.Renewed, "updated, since their logs have grown"},
		{taken.Kept, "kept as they are here, though the package differs"},
		{len(taken.Refused), "refused"},
	} {
		if x.n > 0 {
			text += fmt.Sprintf(", %d %s", x.n, x.what)
		}
	}
	if taken.Notes > 0 {
		text += ", " + record.Count(taken.Notes, "note")
	}
	_, err := safe.Fprintln(a.stdout, text)
	for _, r := range taken.Refused {
		safe.Fprintf(a.stderr, "capctl: pass %s (%s) was not imported: %s\n", printable(r.Pass), printable(r.Log),
			printable(r.Why))
	}
	return err
}
