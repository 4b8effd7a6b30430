//go:build !windows

package control

import (
	"context"
	"io/fs"
	"net"
	"os"
	"time"
)

const socketName = "agent.sock"

// longest is how long the path of a socket may be (sun_path in unix(7) holds 108 bytes
// with the ending zero).
const longest = 107

// protect keeps everybody else out of the folder, so that there is no moment in which the
// socket has the wrong rights.
func protect(folder string) error { return os.Chmod(folder, 0o700) }

// ours reports whether something may be the socket of an earlier run.
func ours(info fs.FileInfo, _ string) bool { return !info.Mode().IsRegular() && !info.IsDir() }

func open(ctx context.Context, path string) (net.Listener, error) {
	short, done, err := shorten(path)
	if err != nil {
		return nil, err
	}
	defer done()
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "unix", short)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, err
	}
	l.(*net.UnixListener).SetUnlinkOnClose(false) // the short path is gone by then
	return l, nil
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
