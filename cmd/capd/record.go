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

// controlHere says whether an agent could be talked to here.
func controlHere(ctx context.Context) sysinfo.Told {
	t := sysinfo.Told{What: "talking to the agent", State: sysinfo.Works}
	if err := control.Try(ctx); err != nil {
		home, _ := os.UserHomeDir()
		t.State, t.Text = sysinfo.DoesNot, recording.WithoutFolders(err.Error(), os.TempDir(), home)
	}
	return t
}
