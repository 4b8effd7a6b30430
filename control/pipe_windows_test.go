package control

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"capd.example/internal/testlab"
	"golang.org/x/net/nettest"
	"golang.org/x/sys/windows"
)

// leave leaves the name of the pipe of an agent that was killed.
func leave(t *testing.T, path string) {
	if err := os.WriteFile(path, []byte(pipePrefix+strings.Repeat("0a", pipeDigits/2)), 0o600); err != nil {
		t.Fatal(err)
	}
}

func testPipe(t *testing.T) *pipeListener {
	t.Helper()
	l, err := listenPipe(fmt.Sprintf("%s%08x%x", pipePrefix, os.Getpid(), time.Now().UnixNano()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func pair(t *testing.T) (net.Conn, net.Conn) {
	t.Helper()
	l := testPipe(t)
	accepted := make(chan net.Conn, 1)
	go func() {
		c, _ := l.Accept()
		accepted <- c
	}()
	c, err := dialPipe(t.Context(), l.name)
	if err != nil {
		t.Fatal(err)
	}
	return c, <-accepted
}

// TestPipeIsAConn is the conformance test for connections of golang.org/x/net.
func TestPipeIsAConn(t *testing.T) {
	nettest.TestConn(t, func() (c1, c2 net.Conn, stop func(), err error) {
		c1, c2 = pair(t)
		return c1, c2, func() { c1.Close(); c2.Close() }, nil
	})
}

// TestPipeIsOfItsUserAlone: the access list grants the user everything and nobody else anything.
func TestPipeIsOfItsUserAlone(t *testing.T) {
	c, _ := pair(t)
	user, err := me()
	if err != nil {
		t.Fatal(err)
	}
	sd, err := windows.GetSecurityInfo(c.(*pipeConn).handle, windows.SE_KERNEL_OBJECT,
		windows.OWNER_SECURITY_INFORMATION|windows.DACL_SECURITY_INFORMATION)
	if err != nil {
		t.Fatal(err)
	}
	list, _, err := sd.DACL()
	if err != nil || list.AceCount != 1 {
		t.Fatalf("%s: %v", sd, err)
	}
	var entry *windows.ACCESS_ALLOWED_ACE
	if err := windows.GetAce(list, 0, &entry); err != nil || entry.Header.AceType != windows.ACCESS_ALLOWED_ACE_TYPE {
		t.Fatalf("%s: %v", sd, err)
	}
	if got := sd.String(); strings.Count(got, user.String()) < 2 {
		t.Errorf("access list %s, want all of it to name %s", got, user)
	}
}

// A program that took the name first: the agent refuses to answer beside it.
func TestSquattedName(t *testing.T) {
	l := testPipe(t)
	if second, err := listenPipe(l.name); err == nil {
		second.Close()
		t.Error("two listen under one name")
	}
}

// A pipe that another user owns is not talked to, whatever its access list says.
func TestPipeOfAnotherUser(t *testing.T) {
	sd, err := windows.SecurityDescriptorFromString("O:SYD:P(A;;GA;;;WD)")
	if err != nil {
		t.Fatal(err)
	}
	l := testPipe(t)
	name := l.name + "0"
	stranger := &pipeListener{name: name, sa: &windows.SecurityAttributes{SecurityDescriptor: sd}}
	stranger.sa.Length = l.sa.Length
	c, err := stranger.instance(windows.FILE_FLAG_FIRST_PIPE_INSTANCE)
	if errors.Is(err, windows.ERROR_INVALID_OWNER) || errors.Is(err, windows.ERROR_PRIVILEGE_NOT_HELD) {
		t.Skipf("only an administrator may give a pipe to another user: %v", err) // nor could a stranger
	}
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if got, err := dialPipe(t.Context(), name); !errors.Is(err, fs.ErrPermission) {
		if err == nil {
			got.Close()
		}
		t.Errorf("dial: %v", err)
	}
}

// A file that names something else than a pipe of ours leads nowhere.
func TestNamesThatAreNone(t *testing.T) {
	dir := testlab.Folder(t)
	path := dir + `\agent.pipe`
	for _, name := range []string{"", `\\elsewhere\pipe\capd-` + strings.Repeat("0a", 16), `\\.\pipe\capd-..\` + strings.Repeat("0a", 14),
		pipePrefix + strings.Repeat("0a", 17), pipePrefix + strings.Repeat("zz", 16), `C:\file`} {
		if err := os.WriteFile(path, []byte(name), 0o600); err != nil {
			t.Fatal(err)
		}
		if c, err := connect(t.Context(), path); !errors.Is(err, fs.ErrInvalid) {
			if err == nil {
				c.Close()
			}
			t.Errorf("%q: %v", name, err)
		}
	}
}

// Clients that say nothing hold places; whoever comes after them gets one as soon as one goes,
// and is told of the crowd where none does.
func TestManySilentClients(t *testing.T) {
	l := testPipe(t)
	taken := make(chan net.Conn, mostClients+1)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				close(taken)
				return
			}
			taken <- c
		}
	}()
	var silent []net.Conn
	for range mostClients {
		c, err := dialPipe(t.Context(), l.name)
		if err != nil {
			t.Fatal(err)
		}
		silent = append(silent, c, <-taken)
	}
	// One more is connected and waits; those after it are refused.
	waits, err := dialPipe(t.Context(), l.name)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	if c, err := dialPipe(ctx, l.name); err == nil || !strings.Contains(err.Error(), "32 callers") {
		t.Errorf("a client too many: %v, %v", c, err)
	}
	silent[1].Close()
	got := <-taken
	if _, err := waits.Write([]byte("hello")); err != nil {
		t.Error(err)
	}
	b := make([]byte, 5)
	if _, err := io.ReadFull(got, b); err != nil || string(b) != "hello" {
		t.Errorf("read %q, %v", b, err)
	}
	for _, c := range append(silent, waits, got) {
		c.Close()
	}
	l.Close()
	for c := range taken {
		c.Close()
	}
}

// What was written before the end is read after it.
func TestLastWords(t *testing.T) {
	c, s := pair(t)
	if _, err := s.Write([]byte("last words")); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if got, err := io.ReadAll(c); err != nil || string(got) != "last words" {
		t.Errorf("%q, %v", got, err)
	}
	c.Close()
}
