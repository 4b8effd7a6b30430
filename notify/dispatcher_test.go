package notify

import (
	"context"
	"errors"
	"math"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"capd.example/record"
)

func TestSlowChannelDelaysNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		slow, quick := &played{name: "slow", hang: true}, &played{name: "quick"}
		d, err := New([]Route{{Channel: slow, Timeout: time.Minute}, {Channel: quick}}, nil)
		if err != nil {
			t.Fatal(err)
		}
		start(t, d)
		began := time.Now()
		for i := range 20 {
			tell(t, d, badAlert(i))
		}
		if d := time.Since(began); d != 0 {
			t.Errorf("Tell took %v", d)
		}
		synctest.Wait()
		if n := len(quick.sent()); n != 20 {
			t.Errorf("the quick channel sent %d of 20 while the slow one hung", n)
		}
		if d := time.Since(began); d != 0 {
			t.Errorf("the quick channel took %v", d)
		}
	})
}

func TestSameAlertIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		d, _ := New([]Route{{Channel: c}}, nil)
		start(t, d)
		tell(t, d, badAlert(1), badAlert(1))
		pass(time.Second)
		tell(t, d, badAlert(1))
		pass(time.Hour)
		if n := len(c.sent()); n != 1 {
			t.Errorf("told %d times", n)
		}
	})
}

// An alert whose pass cannot be written, as with a number that has no form in JSON, is told
// without the pass.
func TestAnAlertIsNotLostForItsPass(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		d, _ := New([]Route{{Channel: c}}, nil)
		start(t, d)
		a := badAlert(1)
		a.Pass = &record.Pass{ID: "p", Metrics: record.Metrics{AvgFPS: math.Inf(1)}}
		tell(t, d, a)
		pass(time.Second)
		if got := c.sent(); len(got) != 1 || got[0].Text != a.Text || got[0].ID != a.ID || got[0].Pass != nil {
			t.Errorf("sent %+v", got)
		}
	})
}

// fullQueue is a durable queue that cannot be written until it is well.
type fullQueue struct {
	Queue
	well bool
}

func (q *fullQueue) Enqueue(ctx context.Context, a Queued) error {
	if !q.well {
		return errors.New("the disk is full")
	}
	return q.Queue.Enqueue(ctx, a)
}

// An alert that could not be queued is told from memory, is told again by its caller until
// the queue has it, and arrives once.
func TestToldAgainUntilTheQueueHasIt(t *testing.T) {
	for name, up := range map[string]bool{"delivered before": true, "delivered after": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := &played{name: "c"}
				c.fail = func(int, Alert) error {
					if !up {
						return errors.New("down")
					}
					return nil
				}
				q := &fullQueue{Queue: newMemory()}
				d, _ := New([]Route{{Channel: c, Queue: q}}, nil)
				start(t, d)
				if err := d.Tell(t.Context(), badAlert(1)); err == nil {
					t.Fatal("nobody said that the queue has it not")
				}
				pass(time.Minute)
				q.well, up = true, true
				tell(t, d, badAlert(1))
				pass(time.Hour)
				if n := len(c.sent()); n != 1 {
					t.Errorf("it arrived %d times", n)
				}
				if left, _ := q.Due(t.Context(), time.Now()); len(left) != 0 {
					t.Errorf("the queue still holds %v", left)
				}
			})
		})
	}
}

func TestBackOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var tries []time.Duration
		c := &played{name: "c"}
		c.fail = func(n int, _ Alert) error {
			tries = append(tries, time.Since(began))
			if n < 12 {
				return errors.New("down")
			}
			return nil
		}
		var out outcomes
		d, _ := New([]Route{{Channel: c}}, out.add)
		start(t, d)
		tell(t, d, badAlert(1))
		pass(time.Hour)
		if len(c.sent()) != 1 {
			t.Fatalf("not delivered after %d tries", c.attempts())
		}
		want := time.Duration(0)
		for i, at := range tries {
			if at != want {
				t.Errorf("try %d after %v, want %v", i, at, want)
			}
			want += min(time.Second<<i, 5*time.Minute)
		}
		list := out.list()
		if last := list[len(list)-1]; len(list) != 13 || last.Err != nil || last.Waited != tries[12] {
			t.Errorf("outcomes %+v", list)
		}
	})
}

// While the receiver is down only the oldest alert tries it; afterwards all come, in order.
func TestReceiverIsDownForAWhile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		up := time.Now().Add(10 * time.Minute)
		c := &played{name: "c"}
		c.fail = func(int, Alert) error {
			if time.Now().Before(up) {
				return errors.New("down")
			}
			return nil
		}
		d, _ := New([]Route{{Channel: c}}, nil)
		start(t, d)
		for i := range 100 {
			tell(t, d, badAlert(i))
			pass(time.Second)
		}
		pass(20 * time.Minute)
		got := c.sent()
		if len(got) != 100 {
			t.Fatalf("%d of 100 arrived", len(got))
		}
		for i, a := range got {
			if a.ID != badAlert(i).ID {
				t.Fatalf("alert %d is out of order", i)
			}
		}
		if n := c.attempts(); n > 112 {
			t.Errorf("%d attempts for 100 alerts", n)
		}
	})
}

func TestReceiverSaysWhen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		c.fail = func(n int, _ Alert) error {
			if n == 0 {
				return &Later{errors.New("busy"), 42 * time.Second}
			}
			return nil
		}
		d, _ := New([]Route{{Channel: c}}, nil)
		start(t, d)
		began := time.Now()
		tell(t, d, badAlert(1))
		pass(time.Minute)
		if len(c.at) != 1 || c.at[0].Sub(began) != 42*time.Second {
			t.Errorf("delivered at %v", c.at)
		}
	})
}

// One message that the receiver will not have does not hold up the others.
func TestRefusedMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		c.fail = func(_ int, a Alert) error {
			if a.ID == badAlert(0).ID {
				return &Refused{errors.New("not that")}
			}
			return nil
		}
		var out outcomes
		d, _ := New([]Route{{Channel: c, Attempts: 3}}, out.add)
		start(t, d)
		tell(t, d, badAlert(0), badAlert(1))
		synctest.Wait()
		if len(c.sent()) != 1 {
			t.Error("the second alert waits for the first")
		}
		pass(time.Hour)
		if n := c.attempts(); n != 4 {
			t.Errorf("%d attempts, want 3 and 1", n)
		}
		list := out.list()
		if last := list[len(list)-1]; !last.Next.IsZero() || last.Err == nil {
			t.Errorf("the last outcome does not say that it was given up: %+v", last)
		}
	})
}

func TestNoAnswerInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out outcomes
		c := &played{name: "c", hang: true}
		d, _ := New([]Route{{Channel: c, Timeout: 3 * time.Second, Attempts: 1}}, out.add)
		start(t, d)
		tell(t, d, badAlert(1))
		pass(4 * time.Second)
		list := out.list()
		if len(list) != 1 || !strings.Contains(list[0].Err.Error(), "no answer within 3s") {
			t.Errorf("outcomes %+v", list)
		}
	})
}

func TestRepeatedCausesAreGrouped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		d, _ := New([]Route{{Channel: c, Group: 5 * time.Minute}}, nil)
		start(t, d)
		tell(t, d, badAlert(0), badAlert(1))
		pass(time.Minute)
		tell(t, d, badAlert(2), FromTrouble("bench-a", "something else", "x", time.Now()))
		pass(time.Minute)
		if got := c.sent(); len(got) != 2 || got[1].Kind != Trouble {
			t.Fatalf("sent %d before the time was over", len(got))
		}
		pass(4 * time.Minute)
		got := c.sent()
		if len(got) != 3 || got[2].Count != 2 || !strings.HasPrefix(got[2].Text, "2 more with the same cause; the last: pass 2 of") {
			t.Fatalf("sent %+v", got)
		}
		pass(time.Hour)
		if len(c.sent()) != 3 {
			t.Error("an alert of the group was told again")
		}
	})
}

// forgetful is a durable queue that cannot note what failed until it is well.
type forgetful struct {
	Queue
	well atomic.Bool
}

func (q *forgetful) Failed(ctx context.Context, id string, why error, next time.Time) error {
	if !q.well.Load() {
		return errors.New("the disk is full")
	}
	return q.Queue.Failed(ctx, id, why, next)
}

// An alert that is given up while the queue cannot note that is not tried again and again
// without a pause, and is given up once it can.
func TestGivingUpCannotBeNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &played{name: "c"}
		var tries atomic.Int64
		c.fail = func(int, Alert) error {
			if tries.Add(1) > 1000 {
				return nil // or it would never end
			}
			return errors.New("down")
		}
		q := &forgetful{Queue: newMemory()}
		var d *Dispatcher
		told := func(Outcome) { _ = d.Tell(context.Background(), badAlert(1)) } // whoever hears of it tells something, which wakes the channel
		d, _ = New([]Route{{Channel: c, Queue: q, Attempts: 1}}, told)
		start(t, d)
		tell(t, d, badAlert(1))
		pass(time.Minute)
		if n, most := tries.Load(), int64(time.Minute/queueWait+1); n > most {
			t.Errorf("%d tries in a minute, want at most %d", n, most)
		}
		q.well.Store(true)
		pass(time.Minute)
		before := tries.Load()
		pass(time.Hour)
		if n := tries.Load(); n != before {
			t.Errorf("tried %d times after it was given up", n-before)
		}
	})
}

func TestStoreCannotBeWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := &brokenQueue{memory: newMemory(), broken: true}
		c := &played{name: "c"}
		d, _ := New([]Route{{Channel: c, Queue: q}}, nil)
		start(t, d)
		if err := d.Tell(context.Background(), badAlert(1)); !errors.Is(err, errFull) {
			t.Errorf("Tell = %v", err)
		}
		pass(time.Second)
		if len(c.sent()) != 1 {
			t.Error("the alert was not told although only its queue was broken")
		}
	})
}

// The alert arrived, but that could not be noted: it must not be told again and again.
func TestDeliveryCannotBeNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q := &brokenQueue{memory: newMemory()}
		c := &played{name: "c"}
		c.fail = func(int, Alert) error { q.set(true); return nil }
		d, _ := New([]Route{{Channel: c, Queue: q}}, nil)
		start(t, d)
		tell(t, d, badAlert(1))
		pass(time.Minute)
		q.set(false)
		pass(time.Minute)
		if len(c.sent()) != 1 {
			t.Errorf("told %d times", len(c.sent()))
		}
		if left, _ := q.Due(context.Background(), time.Now()); len(left) != 0 {
			t.Errorf("still queued: %v", left)
		}
	})
}

func TestNamesAreUnique(t *testing.T) {
	if _, err := New([]Route{{Channel: &played{name: "c"}}, {Channel: &played{name: "c"}}}, nil); err == nil {
		t.Error("two channels of one name were taken")
	}
}

func TestTry(t *testing.T) {
	good, bad := &played{name: "good"}, &played{name: "bad", fail: func(int, Alert) error { return errors.New("down") }}
	d, _ := New([]Route{{Channel: good}, {Channel: bad}}, nil)
	got := d.Try(context.Background(), "", FromTest("b", noon))
	if len(got) != 2 || got["good"] != nil || got["bad"] == nil {
		t.Errorf("answers %v", got)
	}
	if got = d.Try(context.Background(), "good", FromTest("b", noon)); len(got) != 1 {
		t.Errorf("answers %v", got)
	}
}

// An earlier run meant to try an alert again much later, and the receiver is still down at
// the first attempt after the start. No alert may wait for another one to wake the worker.
func TestWhatAnEarlierRunLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, ctx := newMemory(), context.Background()
		for i := range 2 {
			x, err := queued(badAlert(i), "c")
			if err != nil {
				t.Fatal(err)
			}
			q.Enqueue(ctx, x)
			pass(time.Second)
		}
		q.Failed(ctx, badAlert(1).ID+"/c", errors.New("refused"), time.Now().Add(4*time.Minute))
		c := &played{name: "c", fail: func(n int, _ Alert) error {
			if n == 0 {
				return errors.New("down")
			}
			return nil
		}}
		d, _ := New([]Route{{Channel: c, Queue: q}}, nil)
		start(t, d)
		pass(time.Minute)
		if n := len(c.sent()); n != 2 {
			t.Errorf("%d of 2 alerts arrived within a minute of the start", n)
		}
	})
}

// The same, an hour ahead, and the queue cannot note what becomes of it until a minute later:
// it is told once, and is noted without another alert that wakes the worker.
func TestWhatAnEarlierRunLeftCannotBeNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, ctx := &brokenQueue{memory: newMemory()}, context.Background()
		x, err := queued(badAlert(1), "c")
		if err != nil {
			t.Fatal(err)
		}
		q.Enqueue(ctx, x)
		q.Failed(ctx, x.ID, errors.New("come back in an hour"), time.Now().Add(time.Hour))
		c := &played{name: "c", fail: func(int, Alert) error { q.set(true); return nil }}
		d, _ := New([]Route{{Channel: c, Queue: q}}, nil)
		start(t, d)
		pass(time.Minute)
		if n := len(c.sent()); n != 1 {
			t.Errorf("told %d times within a minute of the start", n)
		}
		q.set(false)
		pass(time.Minute)
		if left, _ := q.Due(ctx, time.Now().Add(farthest)); len(left) != 0 {
			t.Errorf("%d still queued", len(left))
		}
		if n := len(c.sent()); n != 1 {
			t.Errorf("told %d times", n)
		}
	})
}
