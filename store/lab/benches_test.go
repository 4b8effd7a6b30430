//go:build linux

package lab_test

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"capd.example/internal/testlab/postgres"
	"capd.example/store"
	"capd.example/store/lab"
)

var (
	manyBenches = flag.Int("benches", 12, "benches of TestManyBenches; 1000 for the figures of docs/store.md")
	manyMinutes = flag.Float64("minutes", 0, "how long they send; 0 for two turns each")
)

// TestManyBenches has benches that each keep a store of their own record a pass and send it,
// again and again, through a pooler into one lab. Some of them lose their memory of what was
// sent. In the end the lab holds every pass once.
func TestManyBenches(t *testing.T) {
	a := address(t)
	setup(t, a, false).Close()
	s, _ := server()
	port, err := pooler()
	if errors.Is(err, postgres.ErrNoPooler) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	pooled := strings.Replace(a, fmt.Sprint(":", s.Port, "/"), fmt.Sprint(":", port, "/"), 1)
	empty := newStore(t)
	empty.Close()
	blank, err := os.ReadFile(empty.Path())
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	end := time.Now().Add(time.Duration(*manyMinutes * float64(time.Minute)))
	var mu sync.Mutex
	var took []time.Duration
	var sent, failed, recorded atomic.Int64
	turn := func(i, n int) {
		name := fmt.Sprintf("bench-%d", i)
		path := filepath.Join(dir, name+".db")
		if n == 0 {
			if err := os.WriteFile(path, blank, 0o600); err != nil {
				t.Error(err)
			}
		}
		own, err := store.Open(ctx, path, store.Options{})
		if err != nil {
			t.Error(err)
			return
		}
		defer own.Close()
		add(t, own, name, n, 1)
		recorded.Add(1)
		if (i+n)%10 == 9 {
			if err := own.SetSetting(ctx, "lab mark "+fmt.Sprintf("127.0.0.1:%d/%s", port, a[strings.LastIndex(a, "/")+1:strings.Index(a, "?")]), "0"); err != nil {
				t.Error(err)
			}
		}
		start := time.Now()
		k, err := (&lab.Forwarder{Store: own, Bench: name, Address: pooled}).Forward(ctx)
		mu.Lock()
		took = append(took, time.Since(start))
		mu.Unlock()
		sent.Add(int64(k))
		if err != nil {
			failed.Add(1)
			t.Logf("%s: %v", name, err)
		}
	}
	work := make(chan [2]int)
	var group sync.WaitGroup
	for range min(32, *manyBenches) { // that have something to send at one time
		group.Go(func() {
			for w := range work {
				turn(w[0], w[1])
			}
		})
	}
	stop, looked := make(chan struct{}), make(chan []time.Duration)
	go func() { looked <- statusMeanwhile(t, a, stop) }()
	begin := time.Now()
	for n := 0; n < 2 || time.Now().Before(end); n++ {
		for i := range *manyBenches {
			work <- [2]int{i, n}
			if n >= 2 && time.Now().After(end) {
				break
			}
		}
	}
	close(work)
	group.Wait()
	spent := time.Since(begin)
	close(stop)
	status := <-looked
	l, err := lab.Open(ctx, a)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	list, err := l.Passes(ctx, store.Filter{})
	if err != nil || failed.Load() == 0 && len(list) != int(recorded.Load()) {
		t.Errorf("the lab has %d passes, the benches recorded %d; %v", len(list), recorded.Load(), err)
	}
	if notes, more := l.Notes(); len(notes) > 0 {
		t.Errorf("noted %+v and %d more", notes[0], more)
	}
	slices.Sort(took)
	slices.Sort(status)
	at := func(list []time.Duration, share float64) time.Duration {
		return list[int(share*float64(len(list)-1))].Round(time.Millisecond)
	}
	t.Logf("%d benches, %.0f s: %d passes recorded, %.0f recorded and sent a second, %d sent in all, %d sendings failed; a sending took %s (median), %s (95 %%), %s (longest); "+
		"status %s (median), %s (longest)", *manyBenches, spent.Seconds(), recorded.Load(), float64(recorded.Load())/spent.Seconds(), sent.Load(), failed.Load(),
		at(took, 0.5), at(took, 0.95), at(took, 1), at(status, 0.5), at(status, 1))
}

// statusMeanwhile asks for the status once a second and at the end.
func statusMeanwhile(t *testing.T, address string, stop chan struct{}) (took []time.Duration) {
	l, err := lab.Open(ctx, address)
	if err != nil {
		t.Error(err)
		return nil
	}
	defer l.Close()
	for over := false; !over; {
		start := time.Now()
		if _, err := l.Status(ctx); err != nil {
			t.Error(err)
		}
		took = append(took, time.Since(start))
		select {
		case <-stop:
			over = true
		case <-time.After(time.Second):
		}
	}
	return took
}
