package notify

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/record"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == "alert-helper" {
		os.Exit(helper(os.Args[2], os.Args[3:]))
	}
	goleak.VerifyTestMain(m)
}

var noon = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)

func badPass(n int) record.Pass {
	sha := fmt.Sprintf("%064x", n+1)
	return record.Pass{
		ID: record.PassID(sha), SHA256: sha, Bench: "bench-a", Log: fmt.Sprintf("logs/pass%d.csv", n), Verdict: record.VerdictBad,
		Tags: record.Tags{
			record.TagGame: {Value: "Nimbus Drift"}, record.TagResolution: {Value: "1440p"}, record.TagPass: {Value: fmt.Sprint(n)},
			record.TagCampaign: {Value: "spring"},
		},
		Findings: []record.Finding{
			{Check: "hitches", Outcome: record.Doubtful, Reason: "9 hitches, 2 in the other passes", Advice: "look at the moments"},
			{Check: "completeness", Outcome: record.Bad, Reason: "24.1 s of 60 s were logged", Advice: "repeat the pass"},
			{Check: "thermal", Outcome: record.OK},
		},
	}
}

func badAlert(n int) Alert {
	a, ok := FromPass(badPass(n), time.Now())
	if !ok {
		panic("a bad pass makes no alert")
	}
	return a
}

// played is a channel whose answers a test decides.
type played struct {
	name string
	mu   sync.Mutex
	got  []Alert
	at   []time.Time
	fail func(n int, a Alert) error // n counts the attempts from 0
	hang bool
	n    int
}

func (p *played) Name() string { return p.name }

func (p *played) Send(ctx context.Context, a Alert) error {
	p.mu.Lock()
	n, fail, hang := p.n, p.fail, p.hang
	p.n++
	p.mu.Unlock()
	if hang {
		<-ctx.Done()
		return ctx.Err()
	}
	if fail != nil {
		if err := fail(n, a); err != nil {
			return err
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.got, p.at = append(p.got, a), append(p.at, time.Now())
	return nil
}

func (p *played) sent() []Alert {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Alert(nil), p.got...)
}

func (p *played) attempts() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.n
}

// outcomes collects what a dispatcher reports.
type outcomes struct {
	mu  sync.Mutex
	all []Outcome
}

func (o *outcomes) add(x Outcome) { o.mu.Lock(); o.all = append(o.all, x); o.mu.Unlock() }

func (o *outcomes) list() []Outcome {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]Outcome(nil), o.all...)
}

func start(t *testing.T, d *Dispatcher) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); d.Run(ctx) }()
	var once sync.Once
	stop = func() { once.Do(func() { cancel(); <-ended }) }
	t.Cleanup(stop)
	return stop
}

func pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

func tell(t *testing.T, d *Dispatcher, alerts ...Alert) {
	t.Helper()
	for _, a := range alerts {
		if err := d.Tell(context.Background(), a); err != nil {
			t.Fatal(err)
		}
	}
}

// brokenQueue is a durable queue whose disk is full.
type brokenQueue struct {
	*memory
	mu     sync.Mutex
	broken bool
}

var errFull = errors.New("disk full")

func (b *brokenQueue) set(broken bool) { b.mu.Lock(); b.broken = broken; b.mu.Unlock() }

func (b *brokenQueue) err() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.broken {
		return errFull
	}
	return nil
}

func (b *brokenQueue) Enqueue(ctx context.Context, q Queued) error {
	if err := b.err(); err != nil {
		return err
	}
	return b.memory.Enqueue(ctx, q)
}

func (b *brokenQueue) Delivered(ctx context.Context, id string) error {
	if err := b.err(); err != nil {
		return err
	}
	return b.memory.Delivered(ctx, id)
}
