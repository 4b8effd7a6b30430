package control

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"
)

// ErrNoAgent says that no agent runs on a data folder.
var ErrNoAgent = errors.New("no agent is running")

// ErrTaken says that an agent answers on the socket already.
var ErrTaken = errors.New("another agent answers on the control socket")

// SocketPath is where the agent of a data folder listens.
func SocketPath(dataDir string) string { return filepath.Join(dataDir, "control", "agent.sock") }

// longest is how long the path of a socket may be (sun_path in unix(7) holds 108 bytes
// with the ending zero; Windows took the same size over).
const longest = 107

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
	// Nobody else may enter the folder, so there is no moment in which the socket has
	// the wrong rights.
	if err := os.Chmod(folder, 0o700); err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	if err := clearStale(ctx, path); err != nil {
		return nil, err
	}
	short, done, err := shorten(path)
	if err != nil {
		return nil, err
	}
	defer done()
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "unix", short)
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, bare(err))
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, fmt.Errorf("control socket: %w", err)
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false) // the short path is gone by then
	return l, nil
}

// clearStale removes the socket of an agent that was killed, after making sure that
// nobody answers on it and that it is a socket.
func clearStale(ctx context.Context, path string) error {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("control socket: %w", err)
	}
	if info.Mode().IsRegular() || info.IsDir() {
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

func connect(ctx context.Context, path string) (net.Conn, error) {
	short, done, err := shorten(path)
	if err != nil {
		return nil, err
	}
	defer done()
	d := net.Dialer{Timeout: 5 * time.Second}
	return d.DialContext(ctx, "unix", short)
}

// bare takes the path that was really used out of a network error.
func bare(err error) error {
	var e *net.OpError
	if errors.As(err, &e) {
		return e.Err
	}
	return err
}
