package testlab

import (
	"math"
	"math/rand/v2"
	"runtime"
	"time"
)

// Limiter is what holds a frame loop back.
type Limiter int

// The limiters. Those that count from the last frame begin each interval where the last one
// ended; those that keep a schedule have moments that nothing moves.
const (
	Unlimited  Limiter = iota
	AfterLast          // sleeps until an interval after the last frame
	NextMoment         // sleeps until the next moment of its schedule; missed moments are lost
	CatchUp            // keeps its schedule: after a late frame it does not wait until it has caught up
	SpinWait           // counts from the last frame and keeps the processor busy until then
	TimerTick          // counts from the last frame; a coarse timer wakes it late
	Queue              // a screen takes a frame each interval from a queue of three; a full queue blocks
	Screen             // each frame waits for the screen, which shows it at its next refresh
)

// Limiters are those of the list that hold a loop back.
var Limiters = []Limiter{AfterLast, NextMoment, CatchUp, SpinWait, TimerTick, Queue, Screen}

func (l Limiter) String() string {
	return [...]string{"unlimited", "sleeps after the last", "sleeps to the next moment", "catches up", "spins",
		"wakes late", "queue", "screen"}[l]
}

// Clock is the time that a frame loop runs in: a real one, or one that is simulated.
type Clock interface {
	Now() time.Duration         // since any moment
	Work(d time.Duration)       // be busy for so long
	SleepUntil(t time.Duration) // wakes no earlier, and as late as the clock's timer does
	SpinUntil(t time.Duration)
}

// Loop is a frame loop: it works for each frame and is then held back.
type Loop struct {
	Limiter  Limiter
	Interval time.Duration
	Tick     time.Duration // of the timer of [TimerTick]
}

// queued is how many frames [Queue] holds.
const queued = 3

// Run runs the loop for so long and returns the frame times in ms. work returns how long
// the frame that begins at the given time keeps busy.
func (l Loop) Run(c Clock, during time.Duration, work func(at time.Duration) time.Duration) []float64 {
	begin := c.Now()
	last, moment := begin, begin
	var taken [queued]time.Duration // when the screen takes the latest frames
	var out []float64
	for n := 0; last-begin < during; n++ {
		c.Work(work(last - begin))
		switch l.Limiter {
		case AfterLast:
			if c.Now() < last+l.Interval {
				c.SleepUntil(last + l.Interval)
			}
		case SpinWait:
			c.SpinUntil(last + l.Interval)
		case TimerTick:
			if due := last + l.Interval; c.Now() < due {
				c.SleepUntil((due + l.Tick - 1) / l.Tick * l.Tick)
			}
		case NextMoment:
			moment += l.Interval
			for moment < c.Now() {
				moment += l.Interval
			}
			c.SleepUntil(moment)
		case CatchUp:
			moment += l.Interval
			if behind := c.Now() - moment; behind > 10*l.Interval {
				moment = c.Now() // so late that it gives up
			}
			if c.Now() < moment {
				c.SleepUntil(moment)
			}
		case Queue:
			moment = max(moment+l.Interval, l.refresh(begin, c.Now()))
			if free := taken[n%queued]; n >= queued && c.Now() < free {
				c.SpinUntil(free)
			}
			taken[n%queued] = moment
		case Screen:
			c.SpinUntil(l.refresh(begin, c.Now()))
		}
		now := c.Now()
		out = append(out, float64(now-last)/1e6)
		last = now
	}
	return out
}

// refresh returns the first refresh from t on.
func (l Loop) refresh(begin, t time.Duration) time.Duration {
	return begin + (t-begin+l.Interval-1)/l.Interval*l.Interval
}

// Simulated is a clock that takes no time.
type Simulated struct {
	Rand *rand.Rand
	// Wake is how late a sleeper wakes: at least Wake/4, and on average as much more than
	// that as a heavy-tailed draw gives. Seen is how exactly a busy loop or a screen's
	// signal sees its moment.
	Wake, Seen time.Duration
	now        time.Duration
}

// Now implements [Clock].
func (s *Simulated) Now() time.Duration { return s.now }

// Work implements [Clock].
func (s *Simulated) Work(d time.Duration) { s.now += max(d, 0) }

// SleepUntil implements [Clock].
func (s *Simulated) SleepUntil(t time.Duration) {
	late := 0.25 + 0.75*s.Rand.ExpFloat64()
	if s.Rand.Float64() < 0.002 { // another program had the processor
		late += 20 * s.Rand.ExpFloat64()
	}
	s.now = max(s.now, t+time.Duration(late*float64(s.Wake)))
}

// SpinUntil implements [Clock].
func (s *Simulated) SpinUntil(t time.Duration) {
	s.now = max(s.now, t+time.Duration(s.Rand.ExpFloat64()*float64(s.Seen)))
}

// Work invents how long a program is busy with each frame: the load of the scene rises and
// falls, neighbours resemble each other, and some frames take far longer.
type Work struct {
	Rand   *rand.Rand
	Usual  time.Duration // of an ordinary frame
	Spread float64       // standard deviation of ln(work) of ordinary frames
	Alike  float64       // correlation of neighbours, 0 to 1
	Course float64       // how much the scene's load rises and falls, relative
	Late   float64       // share of frames that take far longer
	By     time.Duration // how much longer, on average; heavy-tailed
	course course
	state  float64
}

// NewWork seeds the course of the scene.
func NewWork(seed uint64, w Work) *Work {
	w.Rand = rand.New(rand.NewPCG(seed, 0xf00d))
	w.course = newCourse(seed)
	return &w
}

// Next returns the work for the frame that begins at the given time.
func (w *Work) Next(at time.Duration) time.Duration {
	w.state = w.Alike*w.state + math.Sqrt(1-w.Alike*w.Alike)*w.Rand.NormFloat64()
	x := float64(w.Usual) * math.Exp(w.Spread*w.state) * (1 + w.Course*(w.course.at(at.Seconds())-1)/0.05)
	if w.Rand.Float64() < w.Late {
		// Pareto with index 2.5, of mean 1 above its least value's share of 0.6.
		x += float64(w.By) * 0.6 * math.Pow(1-w.Rand.Float64(), -1/2.5)
	}
	return time.Duration(x)
}

// RealClock is the machine's own. It begins when it is made.
type RealClock struct {
	began time.Time
	steps float64 // that the processor takes in a nanosecond when nothing disturbs it
}

// NewRealClock returns a clock that stands at 0, and finds out how fast the processor is.
func NewRealClock() RealClock {
	const steps = 100_000
	best := time.Duration(math.MaxInt64)
	for range 200 {
		begin := time.Now()
		runtime.KeepAlive(work(steps)) // else a compiler might leave it out
		best = min(best, time.Since(begin))
	}
	return RealClock{time.Now(), steps / float64(best)}
}

// work takes that many steps, which depend on each other.
func work(steps int) (x uint64) {
	x = uint64(steps) | 1
	for range steps {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
	}
	return x
}

// Now implements [Clock].
func (c RealClock) Now() time.Duration { return time.Since(c.began) }

// Work implements [Clock]: it takes as many steps as an undisturbed processor takes in d,
// so that a slower or shared one needs longer.
func (c RealClock) Work(d time.Duration) {
	if work(int(c.steps*float64(d))) == 0 {
		panic("testlab: a xorshift generator reached 0") // and so the loop above is not optimised away
	}
}

// SleepUntil implements [Clock].
func (c RealClock) SleepUntil(t time.Duration) { time.Sleep(t - c.Now()) }

// SpinUntil implements [Clock].
func (c RealClock) SpinUntil(t time.Duration) { Spin(c.began.Add(t)) }
