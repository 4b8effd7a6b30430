package sysinfo

import (
	"context"
	"errors"
	"math"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/cardusers"
	"capd.example/sysinfo/owncost"
	"capd.example/sysinfo/sensor"
)

// busyEnough is the load, in processors, from which the machine counts as at work.
const busyEnough = 0.25

// quiet is the load below which a calm machine is only glanced at, and restMost for how
// long it is not sampled then.
const (
	quiet    = 0.1
	restMost = time.Minute
)

// calmAfter is how long the machine must have been calm before samples become rare.
const calmAfter = 30 * time.Second

const didNotReturn = "a read did not return"

// sampler is the state of the loop. Samples are taken by whichever goroutine holds turn.
type sampler struct {
	b       *Bench
	sources []sensor.Source
	offset  []int // of each source's columns in the row
	blocked []atomic.Bool
	reading atomic.Int32 // which source is being read, -1 for none
	turn    atomic.Int32 // number of the goroutine that may go on
	beat    beat

	mu     sync.Mutex     // guards what follows, and changes of turn
	busy   bool           // a sample is being taken
	last   time.Time      // of the latest sample, with the monotonic clock
	load   func() float64 // busy processors at the latest sample
	busyAt time.Time      // when the machine was last at work
	calm   bool           // samples are rare
	glance *glance        // nil where nothing tells so cheaply
	rested bool           // the machine was seen at rest since the latest sample
	woke   float64        // busy processors between the two latest glances of a rest
	nap    nap            // the machine's sleep as of the latest sample
}

// Sample takes samples until ctx ends, then returns its error. It may run once at a time
// per bench. Samples are taken at whole periods of the wall clock; each carries the time
// at which it was really taken.
func (b *Bench) Sample(ctx context.Context) error {
	s, err := b.startSampling()
	if err != nil {
		return err
	}
	defer b.stopSampling(s)
	if b.live {
		s.beat = newBeat(ctx)
	} else {
		s.beat = newTimerBeat()
	}
	defer s.beat.close()
	s.turn.Store(1)
	s.next(time.Now())
	b.running.Store(s)
	defer b.running.Store(nil)
	for {
		work, done := make(chan struct{}, 1), make(chan struct{})
		go s.loop(s.turn.Load(), work, done)
		s.drive(ctx, work)
		close(work)
		if ctx.Err() != nil {
			s.end(done)
			return ctx.Err()
		}
		s.giveUp()
	}
}

// drive has a sample taken at every beat until ctx ends or one does not come back. One
// beat serves both ends: while a sample is taken it is set to when patience is over, and
// the sample's end sets it to the next sample.
func (s *sampler) drive(ctx context.Context, work chan<- struct{}) {
	patience := max(3*s.b.opt.Period, 3*time.Second)
	for s.beat.wait(ctx) {
		s.mu.Lock()
		stuck := s.busy
		if now := time.Now(); !stuck && s.rests(now) {
			s.next(now)
			s.mu.Unlock()
			continue
		}
		if !stuck {
			s.busy = true
			s.beat.set(patience)
		}
		s.mu.Unlock()
		if stuck {
			return
		}
		work <- struct{}{}
	}
}

// giveUp leaves the goroutine that does not come back to itself; the next one goes on
// without the source that it reads.
func (s *sampler) giveUp() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.turn.Add(1)
	s.busy = false
	if k := s.reading.Load(); k >= 0 {
		s.blocked[k].Store(true)
		s.b.addGap(record.Gap{Name: s.sources[k].Label(), Why: record.Broken, Text: didNotReturn})
	}
	s.next(time.Now())
}

// next sets the beat to the next sample.
func (s *sampler) next(now time.Time) {
	pace := s.pace(now)
	if calm := pace != s.b.opt.Period; calm != s.calm {
		s.calm = calm
		if s.b.opt.Calm != nil {
			s.b.opt.Calm(calm)
		}
	}
	s.beat.set(untilNext(now, pace))
}

// end waits for the latest sample: the sources may be closed only when nobody reads them
// any more. A read that does not return keeps its source.
func (s *sampler) end(done <-chan struct{}) {
	select {
	case <-done:
		return
	default:
	}
	select {
	case <-done:
	case <-time.After(stopPatience):
		s.turn.Store(-1)
		if k := s.reading.Load(); k >= 0 {
			s.blocked[k].Store(true)
		}
	}
}

// stopPatience is how long a read may take when sampling ends.
const stopPatience = time.Second

// startSampling opens the sources; one that is missing is a gap.
func (b *Bench) startSampling() (*sampler, error) {
	b.mu.Lock()
	if b.sampling {
		b.mu.Unlock()
		return nil, errors.New("samples are being taken already")
	}
	b.sampling = true
	b.mu.Unlock()
	s := &sampler{b: b}
	s.reading.Store(-1)
	sources, load, table, gaps := b.openSources()
	s.sources, s.load = sources, load
	if b.live {
		s.glance = openGlance(b.tree)
	}
	s.blocked = make([]atomic.Bool, len(sources))
	var cols []sensor.Column
	for _, src := range sources {
		s.offset = append(s.offset, len(cols))
		cols = append(cols, src.Columns()...)
	}
	b.mu.Lock()
	b.ring = newRing(cols, int(b.opt.Keep/b.opt.Period)+1)
	b.cardUse = nil
	for i, src := range sources {
		switch src := src.(type) {
		case *sensor.Rare:
			b.ring.inTurns(s.offset[i], s.offset[i]+len(src.Columns()))
		case sourceWithoutColumns:
			if use, is := src.looker.(*cardusers.Table); is {
				b.cardUse = use
			}
		}
	}
	b.table, b.gaps = table, gaps
	b.mu.Unlock()
	return s, nil
}

func (b *Bench) stopSampling(s *sampler) {
	s.turn.Store(-1)
	s.glance.close()
	for i, src := range s.sources {
		if !s.blocked[i].Load() { // a blocked one is still in use by its reader
			src.Close()
		}
	}
	b.mu.Lock()
	b.sampling = false
	b.mu.Unlock()
}

func (b *Bench) addGap(g record.Gap) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, h := range b.gaps {
		if h == g {
			return
		}
	}
	b.gaps = append(b.gaps, g)
}

func (b *Bench) dropGap(name string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.gaps = slices.DeleteFunc(b.gaps, func(g record.Gap) bool { return g.Name == name && g.Text == didNotReturn })
}

// loop takes a sample for each token in work until its turn is over.
func (s *sampler) loop(turn int32, work <-chan struct{}, done chan<- struct{}) {
	defer close(done)
	row := make([]float64, len(s.b.ring.cols))
	for range work {
		watch := owncost.Start()
		if !s.sample(turn, row) {
			return // this goroutine was given up while it waited for a read
		}
		s.b.spent.add(watch.At, watch.Used())
		if !s.done(turn) {
			return
		}
	}
}

// done ends a sample.
func (s *sampler) done(turn int32) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.turn.Load() != turn {
		return false
	}
	s.busy = false
	s.next(time.Now())
	select {
	case s.b.beats <- struct{}{}:
	default: // the receiver has not come to the one before
	}
	return true
}

// untilNext returns the time to the next whole period.
func untilNext(now time.Time, period time.Duration) time.Duration {
	return now.Truncate(period).Add(period).Sub(now)
}

// pace is the time between samples: rare while the machine is calm.
func (s *sampler) pace(now time.Time) time.Duration {
	if s.busyAt.IsZero() || now.Sub(s.busyAt) < calmAfter {
		return s.b.opt.Period
	}
	return s.b.opt.Idle
}

// rests reports whether nothing goes on that a sample is worth: all a calm machine costs
// is one small read then.
func (s *sampler) rests(now time.Time) bool {
	if s.glance == nil || s.pace(now) == s.b.opt.Period {
		return false
	}
	if !s.rested {
		s.glance.count()
	}
	load, known := s.glance.load()
	if s.rested && known {
		s.woke = load
	}
	if !known || load >= quiet || s.load() >= quiet || now.Sub(s.last) >= restMost {
		return false
	}
	s.rested = true
	return true
}

// Hasten says that something is going on, such as a log that is being written: for a
// while samples are taken as on a busy machine. It may be called at any time.
func (b *Bench) Hasten() {
	s := b.running.Load()
	if s == nil {
		return
	}
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	calm := s.pace(now) != s.b.opt.Period
	s.busyAt = now
	if calm && !s.busy {
		s.next(now)
	}
}

// sample reads all sources into row and keeps it. It returns false when the goroutine
// has lost its turn.
func (s *sampler) sample(turn int32, row []float64) bool { return s.sampleAt(turn, row, time.Now()) }

func (s *sampler) sampleAt(turn int32, row []float64, now time.Time) bool {
	for i := range row {
		row[i] = math.NaN()
	}
	elapsed := 0.0
	if !s.last.IsZero() {
		elapsed = now.Sub(s.last).Seconds()
	}
	for i, src := range s.sources {
		if s.blocked[i].Load() {
			continue
		}
		s.reading.Store(int32(i))
		to := len(row)
		if i+1 < len(s.offset) {
			to = s.offset[i+1]
		}
		src.Read(row[s.offset[i]:to], now)
		if s.turn.Load() != turn {
			// It has come back: the goroutine that goes on may use it again.
			s.b.dropGap(src.Label())
			s.blocked[i].Store(false)
			return false
		}
	}
	s.reading.Store(-1)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.turn.Load() != turn {
		return false
	}
	s.last = now
	slept := s.nap.since(s.b.asleep())
	s.b.mu.Lock()
	s.b.ring.put(now, elapsed, s.rested, slept, row)
	s.b.mu.Unlock()
	s.rested = false
	// The sample's own load is the mean of the whole rest before it.
	if s.busyAt.IsZero() || max(s.load(), s.woke) >= busyEnough {
		s.busyAt = now
	}
	s.woke = 0
	return true
}
