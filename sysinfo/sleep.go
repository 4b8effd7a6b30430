package sysinfo

import (
	"encoding/binary"
	"time"

	"capd.example/record"
	"capd.example/sysinfo/winsys"
)

// sleepLeast is the shortest sleep that is told: below it lies what two clocks that are read one
// after the other differ by, of which one may advance in steps of a timer.
const sleepLeast = 500 * time.Millisecond

// asleep returns how long this machine has slept since it was started; false where nothing
// tells. A recorded machine tells where its answers do.
func (b *Bench) asleep() (time.Duration, bool) {
	switch {
	case b.testOnlyAsleep != nil:
		return b.testOnlyAsleep()
	case b.windows != nil:
		return asleepOfWindows(b.windows)
	case b.live:
		return sleptClocks()
	}
	return 0, false
}

// asleepOfWindows is the difference of two counts of 100 ns: with the time asleep, and without.
func asleepOfWindows(ask winsys.Asker) (time.Duration, bool) {
	var both [16]byte
	if !winsys.Exactly(ask, winsys.Question{Call: winsys.InterruptTimes}, both[:]) {
		return 0, false
	}
	all, awake := binary.LittleEndian.Uint64(both[:]), binary.LittleEndian.Uint64(both[8:])
	const most, step = 1 << 56, 1e6 // one of them may be a step of the timer ahead of the other
	if all > most || awake > all+step {
		return 0, false
	}
	return 100 * time.Duration(int64(all-awake)), true
}

// nap is what a sampler knows of the machine's sleep.
type nap struct {
	before time.Duration // asleep in all at the sample before
	known  bool
}

// since returns how many seconds the machine slept since the sample before, -1 for unknown.
func (n *nap) since(now time.Duration, known bool) float64 {
	d := now - n.before
	told := known && n.known
	n.before, n.known = now, known
	switch {
	case !told:
		return -1
	case d < sleepLeast:
		return 0
	}
	return d.Seconds()
}

// sleep returns for each row how much of the window's time before it the machine slept at the
// least, in seconds, and what it slept after the last row until the window ended, which is added
// to that. A row's own interval may begin before the window and the one after the last row end
// after it: of these, only what the time awake cannot explain was inside. told is false where
// no row knows.
func (r *ring) sleep(rows []int, from, to time.Time) (list []float64, told bool) {
	list = make([]float64, len(rows))
	inside := func(k int) float64 {
		s := r.slept[k]
		before := r.beside(k, -1)
		if !(s > 0) || before < 0 {
			return 0
		}
		a, z := r.at[before].Round(0), r.at[k].Round(0)
		awake := z.Sub(a).Seconds() - s
		if a.Before(from) {
			a = from
		}
		if z.After(to) {
			z = to
		}
		within := min(s, z.Sub(a).Seconds()-awake)
		if within < sleepLeast.Seconds() {
			return 0
		}
		return within
	}
	for i, k := range rows {
		told = told || r.slept[k] >= 0
		list[i] = inside(k)
	}
	if after := r.beside(rows[len(rows)-1], 1); after >= 0 {
		list[len(list)-1] += inside(after)
	}
	return list, told
}

// addSleep adds to a window when the machine slept.
func (b *Bench) addSleep(t *record.Telemetry, rows []int, from, to time.Time) {
	slept, told := b.ring.sleep(rows, from, to)
	if !told {
		t.Missing = append(t.Missing, record.Gap{Name: record.SeriesSlept, Why: record.Unsupported,
			Text: "nothing tells whether the machine slept"})
		return
	}
	t.Series = append(t.Series, record.Series{Name: record.SeriesSlept, Unit: "s", Source: "clocks with and without sleep",
		Values: slept})
}
