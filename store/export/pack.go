package export

import (
	"archive/zip"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"capd.example/store"
	"capd.example/store/internal/schema"
)

// Send writes the selected passes into a new file, which [Read] takes. It gets its name when it
// is whole and where nothing has that name; where no pass is selected there is none.
func Send(ctx context.Context, s Source, f store.Filter, file string) (done Done, err error) {
	if _, err := os.Lstat(file); !errors.Is(err, fs.ErrNotExist) {
		return done, fmt.Errorf("send: %s is there already: name a new file, or move it away", file)
	}
	dir := filepath.Dir(file)
	part, err := os.OpenFile(filepath.Join(dir, ".capd-send-"+strings.ToLower(rand.Text())+".part"),
		os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o666) // for a colleague: whom the folder's owner lets read it
	if err != nil {
		return done, fmt.Errorf("send: %w", err)
	}
	defer os.Remove(part.Name())
	done, err = Pack(ctx, s, f, dir, part)
	if err = errors.Join(err, part.Close()); err == nil && done.Written > 0 {
		err = schema.FinishPart(part.Name(), file)
	}
	if err != nil {
		return done, fmt.Errorf("send: %w", err)
	}
	return done, nil
}

// Pack writes the selected passes of a source as one file, which [Read] takes: a ZIP archive of
// a package in JSON Lines. On its way it is a folder below dir.
func Pack(ctx context.Context, s Source, f store.Filter, dir string, w io.Writer) (Done, error) {
	folder, err := os.MkdirTemp(dir, ".capd-send-")
	if err != nil {
		return Done{}, fmt.Errorf("pack: %w", err)
	}
	defer os.RemoveAll(folder)
	done, err := Write(ctx, s, f, folder, JSONLines)
	if err != nil {
		return done, err
	}
	if err := os.Remove(folder + string(os.PathSeparator) + stateFile); err != nil { // of use to the next export alone
		return done, fmt.Errorf("pack: %w", err)
	}
	z := zip.NewWriter(w)
	if err := z.AddFS(os.DirFS(folder)); err != nil {
		return done, fmt.Errorf("pack: %w", err)
	}
	return done, z.Close()
}
