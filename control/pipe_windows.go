package control

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// The agent answers on a named pipe. Its name is new at every start and stands in the file of
// [SocketPath]: a name that can be foreseen can be taken by another before us. The pipe's access
// list has the agent's user alone, and a client talks to nobody but a pipe of its own user.

const (
	socketName = "agent.pipe"
	pipePrefix = `\\.\pipe\capd-`
	pipeDigits = 32
	// mostClients can talk at the same time; others wait for one of them to leave. By convention:
	// far more than one person's windows and scripts, and no room to exhaust handles.
	mostClients = 32
	// pipeRoom is how much either side may write ahead of the other's reading. By convention: more
	// than any answer but those of long passes, which wait for their reader.
	pipeRoom = 64 << 10
	// connectTime is how long a client waits where the agent has too many. By convention: longer
	// than any question but follow takes, and short for whoever sits before it.
	connectTime = 5 * time.Second
)

func protect(string) error { return nil } // the pipe has an access list of its own

// ours reports whether the file holds the name of a pipe, which is all that may be removed.
func ours(info fs.FileInfo, path string) bool {
	_, err := readPipeName(path)
	return info.Mode().IsRegular() && err == nil
}

// readPipeName reads no more than a name of our form: another one may lead to another machine,
// which would be told who we are.
func readPipeName(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	b := make([]byte, len(pipePrefix)+pipeDigits+1)
	n, _ := f.Read(b)
	name := string(b[:n])
	digits, is := strings.CutPrefix(name, pipePrefix)
	if _, err := hex.DecodeString(digits); !is || err != nil || len(digits) != pipeDigits {
		return "", fmt.Errorf("control socket %s: it holds no name of a pipe of ours: %w", path, fs.ErrInvalid)
	}
	return name, nil
}

// open listens on a new pipe and writes its name into the file.
func open(_ context.Context, path string) (net.Listener, error) {
	var digits [pipeDigits / 2]byte
	_, _ = rand.Read(digits[:]) // it never fails
	l, err := listenPipe(pipePrefix + hex.EncodeToString(digits[:]))
	if err != nil {
		return nil, err
	}
	// A reader finds the whole name or none.
	whole := path + ".new"
	err = os.WriteFile(whole, []byte(l.name), 0o600)
	if err == nil {
		err = os.Rename(whole, path)
	}
	if err != nil {
		_ = os.Remove(whole)
		l.Close()
		return nil, err
	}
	return l, nil
}

func connect(ctx context.Context, path string) (net.Conn, error) {
	name, err := readPipeName(path)
	if err != nil {
		return nil, err
	}
	return dialPipe(ctx, name)
}

// me returns the user whom this process runs for.
func me() (*windows.SID, error) {
	u, err := windows.GetCurrentProcessToken().GetTokenUser()
	if err != nil {
		return nil, err
	}
	return u.User.Sid, nil
}

// dialPipe connects as a client that the server may know but not act as.
func dialPipe(ctx context.Context, name string) (net.Conn, error) {
	wide, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithTimeout(ctx, connectTime)
	defer stop()
	const flags = windows.FILE_FLAG_OVERLAPPED | windows.SECURITY_SQOS_PRESENT | windows.SECURITY_IDENTIFICATION
	for {
		h, err := windows.CreateFile(wide, windows.GENERIC_READ|windows.GENERIC_WRITE, 0, nil, windows.OPEN_EXISTING,
			flags, 0)
		if err == nil {
			if err := onlyOurs(h); err != nil {
				windows.CloseHandle(h)
				return nil, fmt.Errorf("%s: %w", filepath.Base(name), err)
			}
			return newPipeConn(h, name)
		}
		if !errors.Is(err, windows.ERROR_PIPE_BUSY) {
			return nil, err
		}
		const pause = 20 * time.Millisecond // by convention: nobody notices it, and it costs nothing for 5 s
		again := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			again.Stop()
			return nil, fmt.Errorf("the agent has %d callers already: %w", mostClients, ctx.Err())
		case <-again.C:
		}
	}
}

// onlyOurs refuses a pipe that another user made under the agent's name: who makes a pipe owns it.
func onlyOurs(h windows.Handle) error {
	user, err := me()
	if err != nil {
		return err
	}
	sd, err := windows.GetSecurityInfo(h, windows.SE_KERNEL_OBJECT, windows.OWNER_SECURITY_INFORMATION)
	if err != nil {
		return fmt.Errorf("whose it is: %w", err)
	}
	owner, _, err := sd.Owner()
	if err != nil || owner == nil || !owner.Equals(user) {
		return fmt.Errorf("another user answers in the agent's place: %w", fs.ErrPermission)
	}
	return nil
}

// pipeListener has one instance of the pipe that nobody talks on yet, so that the name is never free.
type pipeListener struct {
	name  string
	sa    *windows.SecurityAttributes
	slots chan struct{} // filled while a client is there
	stop  chan struct{}
	turn  sync.Mutex // one Accept at a time

	mu   sync.Mutex // guards next
	next *pipeConn  // nil once closed
}

func listenPipe(name string) (*pipeListener, error) {
	user, err := me()
	if err != nil {
		return nil, err
	}
	sd, err := windows.SecurityDescriptorFromString(fmt.Sprintf("O:%sD:P(A;;GA;;;%s)", user, user))
	if err != nil {
		return nil, err
	}
	l := &pipeListener{name: name, slots: make(chan struct{}, mostClients), stop: make(chan struct{}),
		sa: &windows.SecurityAttributes{SecurityDescriptor: sd}}
	l.sa.Length = uint32(unsafe.Sizeof(*l.sa))
	if l.next, err = l.instance(windows.FILE_FLAG_FIRST_PIPE_INSTANCE); err != nil {
		return nil, fmt.Errorf("pipe %s: %w", name, err)
	}
	// Some systems do not heed the flag: what is ours alone has one instance.
	var instances uint32
	err = windows.GetNamedPipeHandleState(l.next.handle, nil, &instances, nil, nil, nil, 0)
	if err != nil || instances != 1 {
		l.next.Close()
		return nil, fmt.Errorf("pipe %s: another program took its name first (%d instances): %w", name, instances,
			cmp.Or(err, fs.ErrExist))
	}
	return l, nil
}

func (l *pipeListener) instance(first uint32) (*pipeConn, error) {
	wide, err := windows.UTF16PtrFromString(l.name)
	if err != nil {
		return nil, err
	}
	const mode = windows.PIPE_TYPE_BYTE | windows.PIPE_READMODE_BYTE | windows.PIPE_WAIT |
		windows.PIPE_REJECT_REMOTE_CLIENTS
	h, err := windows.CreateNamedPipe(wide, windows.PIPE_ACCESS_DUPLEX|windows.FILE_FLAG_OVERLAPPED|first, mode,
		mostClients+2, pipeRoom, pipeRoom, 0, l.sa)
	if err != nil {
		return nil, err
	}
	return newPipeConn(h, l.name)
}

// Accept implements [net.Listener].
func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case l.slots <- struct{}{}:
	case <-l.stop:
		return nil, net.ErrClosed
	}
	l.turn.Lock()
	defer l.turn.Unlock()
	c, err := l.accept()
	if err != nil {
		<-l.slots
		return nil, err
	}
	c.release = func() { <-l.slots }
	return c, nil
}

func (l *pipeListener) accept() (*pipeConn, error) {
	l.mu.Lock()
	c := l.next
	l.mu.Unlock()
	if c == nil {
		return nil, net.ErrClosed
	}
	err := c.accept()
	for errors.Is(err, windows.ERROR_NO_DATA) { // it came and left
		_ = windows.DisconnectNamedPipe(c.handle)
		err = c.accept()
	}
	if err != nil {
		return nil, err
	}
	after, err := l.instance(0)
	if err != nil { // out of handles or memory: this client goes, the next one may fare better
		_ = windows.DisconnectNamedPipe(c.handle)
		return nil, passing{err}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.next == nil {
		after.Close()
		return nil, net.ErrClosed
	}
	l.next = after
	return c, nil
}

// passing is an error after which accepting goes on.
type passing struct{ error }

func (passing) Temporary() bool { return true }
func (passing) Timeout() bool   { return false }

// Close implements [net.Listener]. Clients that talk already are not its matter.
func (l *pipeListener) Close() error {
	l.mu.Lock()
	c := l.next
	l.next = nil
	l.mu.Unlock()
	if c == nil {
		return net.ErrClosed
	}
	close(l.stop)
	return c.Close() // what waits in accept is let go
}

// Addr implements [net.Listener].
func (l *pipeListener) Addr() net.Addr { return pipeAddr(l.name) }

type pipeAddr string

func (pipeAddr) Network() string  { return "pipe" }
func (a pipeAddr) String() string { return string(a) }
