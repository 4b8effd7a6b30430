package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"capd.example/control"
	"capd.example/internal/cli"
	"capd.example/internal/output"
	safe "capd.example/internal/text"
	"capd.example/sysinfo"
	"capd.example/sysinfo/recording"
)

// record writes what this machine answers into a file and prints how it stands with each thing.
func (a *app) record(path string, asJSON bool) error {
	if b, err := os.ReadFile(path); err == nil && !recording.Is(b) {
		return cli.UsageError(fmt.Errorf("%s is there and is no recording: choose another name", path))
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return cli.FailedError(err)
	}
	fmt.Fprintln(a.stderr, "asking this machine everything that the agent asks; that takes about ten seconds")
	file, told, err := sysinfo.New(sysinfo.Options{Root: a.root}).Record(a.ctx, controlHere(a.ctx))
	if err != nil {
		return cli.FailedError(fmt.Errorf("ask this machine: %w", err))
	}
	if err := os.WriteFile(path, file, 0o644); err != nil {
		return cli.FailedError(err)
	}
	for _, t := range told {
		if asJSON {
			err = output.JSON(a.stdout, t)
		} else {
			_, err = safe.Fprintf(a.stdout, "%s\n", t)
		}
		if err != nil {
			return cli.FailedError(err)
		}
	}
	fmt.Fprintf(a.stderr, "wrote %s (%d KiB): no serial numbers, no addresses, no names of people or programs. It is text; look before you send it\n",
		path, (len(file)+1023)/1024)
	return nil
}

// controlHere tries whether an agent could be talked to here.
func controlHere(ctx context.Context) sysinfo.Told {
	t := sysinfo.Told{What: "talking to the agent", State: sysinfo.DoesNot}
	err := func() error {
		folder, err := os.MkdirTemp("", "capd-control")
		if err != nil {
			return err
		}
		defer os.RemoveAll(folder)
		s, err := control.Listen(ctx, folder, nobody{}, &control.Hub{})
		if err != nil {
			return err
		}
		ctx, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- s.Run(ctx) }()
		defer func() { stop(); <-ended }()
		c, err := control.Dial(ctx, folder)
		if err != nil {
			return err
		}
		defer c.Close()
		_, err = c.Status(ctx)
		return err
	}()
	if err != nil {
		home, _ := os.UserHomeDir()
		t.Text = recording.WithoutFolders(err.Error(), os.TempDir(), home)
		return t
	}
	t.State = sysinfo.Works
	return t
}

// nobody is an agent that has only a status, which says nothing.
type nobody struct{ control.Agent }

func (nobody) Status(context.Context) (control.Status, error) { return control.Status{}, nil }
