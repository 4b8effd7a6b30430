package disturbance

import (
	"fmt"
	"os"
	"sync"
	"time"
)

// growingLog is a log that is written while frames are drawn, as by a logger that holds it
// open and flushes every row: what the agent does about it counts, and the writing itself is
// there in every block.
type growingLog struct {
	end  chan struct{}
	done sync.WaitGroup
	err  error // valid after stop
}

// startLog begins to write a row so many times a second.
func startLog(path string, perSecond int) (*growingLog, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err == nil {
		_, err = f.WriteString("frame_ms\n")
	}
	if err != nil {
		return nil, fmt.Errorf("write a log for the agent: %w", err)
	}
	l := &growingLog{end: make(chan struct{})}
	l.done.Go(func() {
		tick := time.NewTicker(time.Second / time.Duration(perSecond))
		defer tick.Stop()
		for i := 0; l.err == nil; i++ {
			select {
			case <-l.end:
				l.err = f.Close()
				return
			case <-tick.C:
				_, l.err = fmt.Fprintf(f, "%d.%d\n", 10+i%3, i%10)
			}
		}
		_ = f.Close() // writing failed already
	})
	return l, nil
}

// stop ends the log and returns why it could not be written to the end, if so. It may be
// called again.
func (l *growingLog) stop() error {
	if l == nil {
		return nil
	}
	select {
	case <-l.end:
	default:
		close(l.end)
	}
	l.done.Wait()
	if l.err != nil {
		return fmt.Errorf("write a log for the agent: %w", l.err)
	}
	return nil
}
