package agent

import (
	"testing"
	"time"
)

func TestBacklogIsTold(t *testing.T) {
	var b backlog
	now := time.Unix(1000, 0)
	var said []string
	for waiting := 240; waiting >= 0; waiting-- {
		now = now.Add(time.Second)
		if text := b.next(waiting, time.Second, now); text != "" {
			said = append(said, text)
		}
	}
	if len(said) != 24 || said[0] != "240 logs to go, about 4 minutes" || said[23] != "10 logs to go, about 10 seconds" {
		t.Errorf("%d lines: %q", len(said), said)
	}
	if b.taken != 0 {
		t.Error("what is over is not forgotten")
	}
	for waiting := 4; waiting >= 0; waiting-- {
		if text := b.next(waiting, time.Second, now); text != "" {
			t.Errorf("a few logs are told: %s", text)
		}
	}
	for d, want := range map[time.Duration]string{time.Second: "10 seconds", 70 * time.Second: "1 minute", 80 * time.Second: "2 minutes", 3 * time.Hour: "3.0 hours"} {
		if got := roughly(d); got != want {
			t.Errorf("%v is %s, want %s", d, got, want)
		}
	}
}
