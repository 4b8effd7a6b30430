package control

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
)

// ErrNoAgent says that no agent runs on a data folder.
var ErrNoAgent = errors.New("no agent is running")

// ErrTaken says that an agent answers on the socket already.
var ErrTaken = errors.New("another agent answers on the control socket")

// SocketPath is where the agent of a data folder listens: a Unix socket or, on Windows, a file
// with the name of its pipe.
func SocketPath(dataDir string) string { return filepath.Join(dataDir, "control", socketName) }

func listen(ctx context.Context, dataDir string) (net.Listener, error) {
	path := SocketPath(dataDir)
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	// Rights are set of the folder itself: what a link leads to is not ours.
	if info, err := os.Lstat(folder); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	} else if !info.IsDir() {
		return nil, fmt.Errorf("control socket: %s is a link and not a folder: remove the link", folder)
	}
	if err := protect(folder); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := clearStale(ctx, path); err != nil {
		return nil, err
	}
	l, err := open(ctx, path)
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, bare(err))
	}
	return l, nil
}

// clearStale removes the socket of an agent that was killed, after making sure that
// nobody answers on it and that it is ours to remove.
func clearStale(ctx context.Context, path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	if !ours(info, path) {
		return fmt.Errorf("control socket %s: there is something else of that name: move it away", path)
	}
	if c, err := connect(ctx, path); err == nil {
		c.Close()
		return fmt.Errorf("control socket %s: %w", path, ErrTaken)
	}
	if err := os.Remove(path); err != nil {
		return fmt.Errorf("control socket: remove the one of an earlier run: %w", err)
	}
	return nil
}

// bare takes the path that was really used out of a network error.
func bare(err error) error {
	var e *net.OpError
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}
