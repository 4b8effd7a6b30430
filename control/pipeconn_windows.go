package control

import (
	"errors"
	"io"
	"net"
	"os"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sys/windows"
)

// pipeConn is one end of a pipe as a [net.Conn]. Both directions run at the same time, so the
// handle is asynchronous: a synchronous one would hold back what is written until what is read
// has come. Each call waits for an event of its own; completion ports, which the runtime would
// use, do not work for pipes under Wine.
type pipeConn struct {
	name        string
	handle      windows.Handle
	reads, puts direction
	release     func() // called once when it is closed

	ending windows.Handle // an event that is set once it is closed
	use    sync.RWMutex   // held for reading by calls under way
	closed bool           // guarded by use
	once   sync.Once
}

// direction is reading, or writing and being connected.
type direction struct {
	turn    sync.Mutex // one call at a time
	event   windows.Handle
	changed windows.Handle // is set when the deadline is another
	waits   *windows.Overlapped

	mu       sync.Mutex // guards deadline
	deadline time.Time
}

func newPipeConn(h windows.Handle, name string) (*pipeConn, error) {
	c := &pipeConn{name: name, handle: h}
	events := []*windows.Handle{&c.ending, &c.reads.event, &c.reads.changed, &c.puts.event, &c.puts.changed}
	for _, e := range events {
		var err error
		if *e, err = windows.CreateEvent(nil, 1, 0, nil); err != nil {
			c.shut()
			return nil, err
		}
	}
	c.reads.waits = &windows.Overlapped{HEvent: c.reads.event}
	c.puts.waits = &windows.Overlapped{HEvent: c.puts.event}
	return c, nil
}

func (c *pipeConn) shut() {
	for _, h := range []windows.Handle{c.handle, c.ending, c.reads.event, c.reads.changed, c.puts.event, c.puts.changed} {
		if h != 0 {
			windows.CloseHandle(h)
		}
	}
}

// do starts a call and waits for its end, the deadline or Close. It returns how many bytes went.
func (c *pipeConn) do(d *direction, start func(*windows.Overlapped) error) (int, error) {
	d.turn.Lock()
	defer d.turn.Unlock()
	c.use.RLock()
	defer c.use.RUnlock()
	if c.closed {
		return 0, net.ErrClosed
	}
	if left, has := d.left(); has && left <= 0 {
		return 0, os.ErrDeadlineExceeded
	}
	// What a thread began is cancelled where the thread ends.
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	*d.waits = windows.Overlapped{HEvent: d.event}
	_ = windows.ResetEvent(d.event)
	err := start(d.waits)
	if err != nil && !errors.Is(err, windows.ERROR_IO_PENDING) {
		return 0, err
	}
	var why error
	if err != nil {
		if why = c.wait(d); why != nil {
			_ = windows.CancelIoEx(c.handle, d.waits)
		}
	}
	var n uint32
	// After a cancel too: the call may have ended before it, and our memory is its own until then.
	err = windows.GetOverlappedResult(c.handle, d.waits, &n, true)
	if errors.Is(err, windows.ERROR_OPERATION_ABORTED) && why != nil {
		return int(n), why
	}
	return int(n), err
}

// wait returns nil once the call has ended.
func (c *pipeConn) wait(d *direction) error {
	for {
		timeout := uint32(windows.INFINITE)
		if left, has := d.left(); has {
			timeout = uint32(min(max(0, left+time.Millisecond-1), time.Hour) / time.Millisecond)
		}
		event, err := windows.WaitForMultipleObjects([]windows.Handle{d.event, c.ending, d.changed}, false, timeout)
		switch event {
		case windows.WAIT_OBJECT_0:
			return nil
		case windows.WAIT_OBJECT_0 + 1:
			return net.ErrClosed
		case windows.WAIT_OBJECT_0 + 2:
			_ = windows.ResetEvent(d.changed)
		case uint32(windows.WAIT_TIMEOUT):
			if left, has := d.left(); has && left <= 0 {
				return os.ErrDeadlineExceeded
			}
		default:
			return err
		}
	}
}

// left returns the time until the deadline; false where there is none.
func (d *direction) left() (time.Duration, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return time.Until(d.deadline), !d.deadline.IsZero()
}

func (d *direction) set(t time.Time) {
	d.mu.Lock()
	d.deadline = t
	d.mu.Unlock()
	_ = windows.SetEvent(d.changed)
}

// accept waits for a client.
func (c *pipeConn) accept() error {
	_, err := c.do(&c.puts, func(o *windows.Overlapped) error { return windows.ConnectNamedPipe(c.handle, o) })
	if errors.Is(err, windows.ERROR_PIPE_CONNECTED) { // it was faster
		return nil
	}
	return err
}

// Read implements [net.Conn].
func (c *pipeConn) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	var held runtime.Pinner
	held.Pin(&p[0])
	defer held.Unpin()
	for {
		n, err := c.do(&c.reads, func(o *windows.Overlapped) error {
			var now uint32
			return windows.ReadFile(c.handle, p, &now, o)
		})
		switch {
		case gone(err):
			return n, io.EOF
		case n == 0 && err == nil: // the other side wrote nothing on purpose, which a pipe hands over
			continue
		}
		return n, c.failed("read", err)
	}
}

// Write implements [net.Conn].
func (c *pipeConn) Write(p []byte) (done int, err error) {
	if len(p) == 0 {
		return 0, nil
	}
	var held runtime.Pinner
	held.Pin(&p[0])
	defer held.Unpin()
	for done < len(p) {
		n, err := c.do(&c.puts, func(o *windows.Overlapped) error {
			var now uint32
			return windows.WriteFile(c.handle, p[done:], &now, o)
		})
		done += n
		if err != nil {
			return done, c.failed("write", err)
		}
	}
	return done, nil
}

func gone(err error) bool {
	return errors.Is(err, windows.ERROR_BROKEN_PIPE) || errors.Is(err, windows.ERROR_PIPE_NOT_CONNECTED) ||
		errors.Is(err, windows.ERROR_NO_DATA)
}

func (c *pipeConn) failed(what string, err error) error {
	if err == nil {
		return nil
	}
	return &net.OpError{Op: what, Net: "pipe", Addr: pipeAddr(c.name), Err: err}
}

// Close implements [net.Conn]. What was written stays readable for the other side.
func (c *pipeConn) Close() error {
	err := net.ErrClosed
	c.once.Do(func() {
		_ = windows.SetEvent(c.ending)
		c.use.Lock()
		c.closed = true
		c.use.Unlock()
		c.shut()
		if c.release != nil {
			c.release()
		}
		err = nil
	})
	return err
}

// LocalAddr implements [net.Conn].
func (c *pipeConn) LocalAddr() net.Addr { return pipeAddr(c.name) }

// RemoteAddr implements [net.Conn].
func (c *pipeConn) RemoteAddr() net.Addr { return pipeAddr(c.name) }

// SetDeadline implements [net.Conn].
func (c *pipeConn) SetDeadline(t time.Time) error {
	return errors.Join(c.SetReadDeadline(t), c.SetWriteDeadline(t))
}

// SetReadDeadline implements [net.Conn].
func (c *pipeConn) SetReadDeadline(t time.Time) error { return c.limit(&c.reads, t) }

// SetWriteDeadline implements [net.Conn].
func (c *pipeConn) SetWriteDeadline(t time.Time) error { return c.limit(&c.puts, t) }

func (c *pipeConn) limit(d *direction, t time.Time) error {
	c.use.RLock()
	defer c.use.RUnlock()
	if c.closed {
		return net.ErrClosed
	}
	d.set(t)
	return nil
}
