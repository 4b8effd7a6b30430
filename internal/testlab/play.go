package testlab

import (
	"bufio"
	"fmt"
	"os"
	"time"
)

// Play runs a scene in real time, as a game would that draws nothing: each frame keeps
// one processor busy for the time that the scene asks for (a sleep of Go's may take a whole
// millisecond, a third of such a frame), and the log is written while it runs and holds what
// each frame really took.
func Play(path string, s Scene) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "at_s,took_ms")
	begin := time.Now()
	last, flushed := begin, begin
	for _, ms := range s.Frames() {
		Spin(last.Add(time.Duration(ms * float64(time.Millisecond))))
		now := time.Now()
		fmt.Fprintf(w, "%.6f,%.6f\n", now.Sub(begin).Seconds(), float64(now.Sub(last))/1e6)
		last = now
		if now.Sub(begin).Seconds() >= s.Seconds {
			break
		}
		if now.Sub(flushed) > 200*time.Millisecond {
			w.Flush()
			flushed = now
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}

// Spin keeps a processor busy until a time.
func Spin(until time.Time) {
	for time.Now().Before(until) {
	}
}

// Burn keeps a share (0 to 1) of one processor busy for a while, in slices of 50 ms.
func Burn(share float64, during time.Duration) {
	const slice = 50 * time.Millisecond
	for end := time.Now().Add(during); time.Now().Before(end); {
		next := time.Now().Add(slice)
		Spin(time.Now().Add(time.Duration(share * float64(slice))))
		time.Sleep(time.Until(next))
	}
}
