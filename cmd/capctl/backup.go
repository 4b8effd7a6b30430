package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	safe "capd.example/internal/text"

	"capd.example/internal/cli"
	"capd.example/internal/output"
	"capd.example/record"
	"capd.example/store"
)

// backupCmd is `capctl backup`.
type backupCmd struct {
	File string `arg:"" help:"New file for the copy."`
}

func (c *backupCmd) Run(a *app) error {
	if err := roomFor(c.File); err != nil {
		return err
	}
	s, err := openToRead(a)
	if err != nil {
		return err
	}
	defer s.Close()
	if err := s.Backup(a.ctx, c.File); err != nil {
		return cli.FailedError(err)
	}
	safe.Fprintf(a.stderr, "capctl: %s is a whole copy of %s\n", c.File, s.Path())
	return nil
}

// roomFor refuses a new file that cannot be made: where its folder is missing, or where it
// is one itself.
func roomFor(file string) error {
	dir := filepath.Dir(file)
	if info, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return cli.FailedError(fmt.Errorf("there is no folder %s", dir), "make it first, or name a file in another folder")
	} else if err == nil && !info.IsDir() {
		return cli.FailedError(fmt.Errorf("%s is a file, not a folder", dir), "name a file in another folder")
	}
	if info, err := os.Stat(file); err == nil && info.IsDir() {
		return cli.FailedError(fmt.Errorf("%s is a folder", file), "name a new file in it: "+filepath.Join(file, "passes.db"))
	}
	return nil
}

// isNoFile refuses a folder for output that is a file.
func isNoFile(dir string) error {
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		return cli.UsageError(fmt.Errorf("--out %s is a file, not a folder", dir),
			"name a folder; one that does not exist is made")
	}
	return nil
}

// verifyCmd is `capctl verify`.
type verifyCmd struct {
	JSON    bool   `help:"Print the report as JSON, one object."`
	Salvage string `placeholder:"FILE" help:"Copy every whole pass into this new file, and those of which only figures or the verdict are damaged."`
}

func (c *verifyCmd) Run(a *app) error {
	if c.Salvage != "" {
		if err := roomFor(c.Salvage); err != nil {
			return err
		}
	}
	s, refused, err := openWhatIsLeft(a)
	if err != nil {
		return err
	}
	defer s.Close()
	var r store.Report
	if c.Salvage != "" {
		r, err = s.Salvage(a.ctx, c.Salvage)
	} else {
		r, err = s.Verify(a.ctx)
	}
	if err != nil {
		return cli.FailedError(err)
	}
	if refused != nil && len(r.Problems) == 0 {
		r.Problems = append(r.Problems, store.Problem{What: refused.Error()})
	}
	if c.JSON {
		err = output.JSON(a.stdout, r)
	} else {
		err = printReport(a, r, c.Salvage)
	}
	if err != nil {
		return cli.FailedError(err)
	}
	if len(r.Problems) > 0 {
		return cli.ErrFound
	}
	return nil
}

// openWhatIsLeft opens a store to be verified; refused is why any other command would not.
func openWhatIsLeft(a *app) (s *store.Store, refused, err error) {
	// SQLite turns the error of a read (IOERR_CORRUPTFS), while a statement runs, into the word
	// for a page that makes no sense (CORRUPT): the first asks again. Damage is there each time.
	for range 4 {
		s, refused = store.Open(a.ctx, a.config.StoreFile(), store.Options{ReadOnly: true})
		if refused == nil {
			return s, nil, nil
		}
	}
	if !errors.Is(refused, store.ErrCorrupt) {
		s, err = openToRead(a) // says it as every command does
		return s, nil, err
	}
	if s, err = store.OpenDamaged(a.ctx, a.config.StoreFile()); err != nil {
		return nil, nil, cli.FailedError(err)
	}
	return s, refused, nil
}

func printReport(a *app, r store.Report, salvaged string) error {
	verb := "are"
	if r.Passes == 1 {
		verb = "is"
	}
	if _, err := safe.Fprintf(a.stdout, "%d of %s %s whole\n", r.Whole, record.Count(r.Passes, "pass"), verb); err != nil {
		return err
	}
	for _, p := range r.Problems {
		if p.Pass != "" {
			log := cmp.Or(p.Log, "path of its log unknown")
			safe.Fprintf(a.stdout, "pass %s (%s): %s\n", printable(p.Pass), printable(log), printable(p.What))
		} else {
			safe.Fprintf(a.stdout, "store: %s\n", printable(p.What))
		}
	}
	switch {
	case salvaged != "":
		safe.Fprintf(a.stderr,
			"capctl: hint: stop the agent, replace %[2]s by %[1]s and start the agent again; it reads the missing logs\n",
			salvaged, a.config.StoreFile())
	case len(r.Problems) > 0 && !slices.ContainsFunc(r.Problems, func(p store.Problem) bool { return !p.Unread }):
		a.say("hint: the disk or the system refused, which says nothing about what is stored: check the disk and try again")
	case len(r.Problems) > 0:
		a.say("hint: restore a backup, or save the rest with `capctl verify --salvage NEW.db` and let the agent read the other logs again")
	}
	return nil
}

// compactCmd is `capctl compact`.
type compactCmd struct{}

func (c *compactCmd) Run(a *app) error {
	if _, err := openToReadClose(a); err != nil {
		return err // compacting must not make a store where there is none
	}
	s, err := openStore(a, false)
	if err != nil {
		return err
	}
	defer s.Close()
	before, after, err := s.Compact(a.ctx)
	if err != nil {
		return cli.FailedError(err)
	}
	safe.Fprintf(a.stderr, "capctl: %d bytes before, %d after\n", before, after)
	return nil
}

func openToReadClose(a *app) (string, error) {
	s, err := openToRead(a)
	if err != nil {
		return "", err
	}
	return s.Path(), s.Close()
}
