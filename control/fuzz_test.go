package control

import (
	"context"
	"io"
	"testing"
	"time"

	"capd.example/internal/testlab"
)

// Any program of the user can write to the socket. Whatever it writes, the agent goes on
// and answers those who speak properly.
func FuzzFrames(f *testing.F) {
	const hello = "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"
	settings := "\x00\x00\x00\x04\x00\x00\x00\x00\x00"
	f.Add([]byte(hello + settings))
	f.Add([]byte(hello + settings + "\x00\x00\x04\x01\x05\x00\x00\x00\x01\x82\x86\x84\x41" + "\x00\x00\x05\x00\x01\x00\x00\x00\x01\x00\x00\x00\x00\x00"))
	f.Add([]byte("GET / HTTP/1.1\r\nHost: x\r\n\r\n"))
	f.Add([]byte(hello + settings + "\x00\x00\x05\x00\x00\x00\x00\x00\x01\x00\xff\xff\xff\xff"))
	dir := testlab.Folder(f)
	s, err := Listen(context.Background(), dir, &benchAgent{status: Status{Bench: "b"}}, &Hub{})
	if err != nil {
		f.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	f.Cleanup(func() { stop(); <-ended })
	n := 0
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := connect(t.Context(), SocketPath(dir))
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		_ = c.SetDeadline(time.Now().Add(5 * time.Second))
		_, _ = c.Write(b)                                          // the agent may hang up at any byte
		if half, can := c.(interface{ CloseWrite() error }); can { // a pipe has no such thing
			_ = half.CloseWrite()
		} else {
			_ = c.SetReadDeadline(time.Now().Add(time.Millisecond))
		}
		_, _ = io.Copy(io.Discard, io.LimitReader(c, 1<<20))
		if n++; n%50 != 1 {
			return
		}
		client, err := Dial(context.Background(), dir)
		if err != nil {
			t.Fatal(err)
		}
		defer client.Close()
		if got, err := client.Status(context.Background()); err != nil || got.Bench != "b" {
			t.Errorf("after %q: %+v, %v", b, got, err)
		}
	})
}
