package framecap

import (
	"math"
	"slices"

	"capd.example/plugins"
)

// signs is what the frame times of a stretch say about a cap. Shares are of all frames,
// spreads are relative to the interval.
type signs struct {
	frames   int
	interval float64 // ms; the middle of the densest window
	mean     float64 // ms; of the frames in a row that repeat best

	window  float64 // largest share within any window
	narrow  float64 // largest share within any narrow window
	ring    float64 // share beside that, out to three times its width
	shorter float64 // share shorter than the window
	late    float64 // share longer than it by 3 % or more

	// how soft the lower edge is beside the upper one: 1.2 for a normal distribution, 0.3 for a limiter that wakes late by chance
	skew  float64
	lag   float64 // correlation of neighbours within the window
	lagZ  float64 // that in standard errors
	level float64 // variance of the window's mean over twelve parts of the stretch, of what chance gives
	drift float64 // what that leaves beyond chance, relative
	even  bool    // the share in the window is the same in all twelve parts

	row    float64 // variance of the time of many frames in a row, of what independent frames would give
	growth float64 // that variance beside the one of fewer frames in a row, of how it would grow
	few    float64 // as row, for 6 or 12 frames
	fewZ   float64 // its logarithm, in standard errors

	rowSpread float64 // standard deviation of the time of many frames in a row, relative
	rowFrames int
	seconds   float64 // standard deviation of the frames in each full second, relative; NaN below four seconds
}

// mostNarrow and mostDrift are up to which the inexactness of a limiter widens the needle
// and excuses a level that moves: programs of constant load are steadier than that at high
// rates (conventions).
const (
	mostNarrow = 0.0025
	mostDrift  = 0.001
)

// between widens least up to most.
func between(least, x, most float64) float64 { return math.Max(least, math.Min(x, most)) }

// parts is into how many parts a stretch is cut to see whether its level stays.
const parts = 12

// lateBy is how much longer than the interval a late frame is (a convention).
const lateBy = 1.03

// look measures the signs. It takes O(n log n).
func look(x []float64, p limits) signs {
	s := sorted(x)
	g := signs{frames: len(x), row: math.Inf(1), growth: math.Inf(1), few: math.Inf(1), fewZ: math.Inf(1),
		seconds: seconds(x)}
	from, to := densest(s, p.window)
	lo, hi := s[from], s[to-1]
	g.window, g.interval = float64(to-from)/float64(len(s)), s[(from+to)/2]
	narrow := between(p.narrow, p.inexactMS/g.interval, mostNarrow)
	a, b := densest(s, narrow)
	mid := (s[a] + s[b-1]) / 2
	g.narrow = float64(b-a) / float64(len(s))
	g.ring = math.Max(0, share(s, mid*(1-3*narrow), mid*(1+3*narrow))-g.narrow)
	g.shorter, g.late = share(s, 0, lo), 1-share(s, 0, g.interval*lateBy)
	near := s[below(s, lo*0.95):below(s, lo*1.05)]
	g.skew = (at(near, 0.25) - at(near, 0.01)) / (at(near, 0.75) - at(near, 0.25))
	mean, sd := g.core(x, lo, hi)
	g.mean = g.interval
	if sd > 0 || g.narrow == g.window {
		g.rows(x, mean, []float64{0, mean})
		if g.judge(p) == none {
			// The rate of a timer's ticks is not that of the frames.
			level, long := g.mean, g.row
			g.rows(x, mean, ticks)
			g.mean, g.row = level, long
		}
	}
	return g
}

// core looks at the frames in the window alone: whether they know of each other and
// whether their level stays.
func (g *signs) core(x []float64, lo, hi float64) (mean, sd float64) {
	in := func(v float64) bool { return v >= lo && v <= hi }
	var z []float64
	g.even = true
	for k := range parts {
		part, n := x[k*len(x)/parts:(k+1)*len(x)/parts], 0
		for _, v := range part {
			if in(v) {
				z = append(z, v)
				n++
			}
		}
		off := math.Abs(float64(n)/float64(max(1, len(part))) - g.window)
		if off > 0.15 && off > 4*math.Sqrt(g.window*(1-g.window)/float64(max(1, len(part)))) {
			g.even = false
		}
	}
	mean, sd = moments(z)
	var means []float64
	for k := range parts {
		if part := z[k*len(z)/parts : (k+1)*len(z)/parts]; len(part) > 0 {
			m, _ := moments(part)
			means = append(means, m)
		}
	}
	_, spread := moments(means)
	chance := sd * sd * parts / float64(len(z))
	g.drift = math.Sqrt(math.Max(0, spread*spread-chance)) / mean
	if !(sd > 0) {
		return mean, sd
	}
	g.level = spread * spread / chance
	pairs, cross := 0, 0.0
	for i := 1; i < len(x); i++ {
		if in(x[i]) && in(x[i-1]) {
			cross += (x[i] - mean) * (x[i-1] - mean)
			pairs++
		}
	}
	if pairs > 0 {
		g.lag = cross / float64(pairs) / (sd * sd)
		g.lagZ = g.lag * math.Sqrt(float64(pairs))
	}
	return mean, sd
}

// rows compares how much the time of several frames in a row varies with how much single
// frames do. Frames that know nothing of each other, or resemble their neighbours, add up
// at least like independent ones; where each frame ends at a moment that is set beforehand,
// the time of a row varies no more than that of a frame. Rows are of twelve frames or
// multiples, so that patterns of 2, 3, 4 and 6 frames come out even.
//
// A unit is what delays are measured in: 0 for the interval itself, the interval where
// missed moments of the schedule are lost, or the tick of a timer.
func (g *signs) rows(x []float64, mean float64, units []float64) {
	n := float64(len(x))
	for _, unit := range units {
		if unit < mean && unit > mean/2 {
			continue
		}
		off, ends := make([]float64, len(x)), make([]float64, len(x)+1)
		for i, v := range x {
			off[i] = v - mean
			if unit > 0 {
				off[i] = v - unit*math.Round(v/unit)
			}
			ends[i+1] = ends[i] + off[i]
		}
		// Densest parts stand for the spread: with late frames, many rows are none that a
		// limiter kept.
		sigma := densestWidth(sorted(off), 0.15) / 2 / 0.189
		white := func(spread float64, k int) float64 {
			if spread == 0 && sigma == 0 {
				return 0
			}
			return spread * spread / (float64(k) * sigma * sigma)
		}
		for _, k := range []int{6, 12} {
			spread, middle := rowSpread(ends, k)
			kept := white(spread, k)
			noise := 2 * math.Sqrt(float64(k)/n+1/(0.15*n))
			if z := math.Log(kept) / noise; z < g.fewZ {
				g.few, g.fewZ = kept, z
				g.mean = mean + middle/float64(k)
			}
		}
		many := len(x) / 20 / 12 * 12
		if many < 36 {
			continue
		}
		short, _ := rowSpread(ends, 12)
		long, _ := rowSpread(ends, many)
		if kept := white(long, many); kept < g.row {
			g.row, g.growth = kept, 0
			if long > 0 {
				g.growth = long * long / (short * short) / float64(many/12)
			}
			g.rowFrames, g.rowSpread = many, long/(float64(many)*mean)
		}
	}
}

// ticks are those of the coarse timers that systems wake sleepers by, in ms (common
// practice: a thousand, or 1024, a second, and twice as many).
var ticks = []float64{1, 0.5, 1000.0 / 1024, 500.0 / 1024}

// mostRows is how many rows are looked at, at most.
const mostRows = 20000

// rowSpread returns the spread and the middle of the time of k frames in a row, from
// where the frames end: of the densest half of the rows, as a standard deviation.
func rowSpread(ends []float64, k int) (sd, middle float64) {
	step := max(1, k/8, len(ends)/mostRows)
	var d []float64
	for i := 0; i+k < len(ends); i += step {
		d = append(d, ends[i+k]-ends[i])
	}
	if len(d) < 4 {
		return math.Inf(1), 0
	}
	slices.Sort(d)
	return densestWidth(d, 0.5) / 1.349, at(d, 0.5)
}

// sign is what a cap was seen by.
type sign int

const (
	none     sign = iota
	interval      // too many frames take the same time
	schedule      // frames in a row add up to the same time
)

// judge says whether frames are held, and by what that is seen.
func (g signs) judge(p limits) sign {
	excused := p.inexactMS / 2.5 / g.interval
	if !(g.drift > between(p.level, excused, mostDrift)) { // also where nothing tells the drift
		steady := g.level <= 2.2 || g.drift <= between(0.0003, excused, mostDrift) // 2.2: 1 % of chance
		switch {
		case g.needle(p), g.clipped(p), steady && g.edge(p):
			return interval
		case steady && g.evenOut(p), g.catchesUp(p):
			return schedule
		}
	}
	// Short passes hold few rows: what adds up less well has to grow the less.
	kept := g.row <= p.row/6 && g.growth <= 0.5 || g.row <= p.row/2 && g.growth <= 0.35
	if kept && g.rowSpread <= 0.003 {
		return schedule
	}
	return none
}

// calm reports whether a frame tells little of the next.
func (g signs) calm() bool { return math.Abs(g.lag) < 0.3 }

// needle reports whether enough frames take one time, and nearly none about that.
func (g signs) needle(p limits) bool {
	return g.narrow >= p.share && (g.ring <= 0.2*g.narrow || g.ring <= 0.4*g.narrow && g.even && g.calm())
}

// clipped reports whether a needle stands at the fastest end.
func (g signs) clipped(p limits) bool {
	return g.narrow >= p.clipped && g.ring <= 0.2*g.narrow && g.shorter <= p.shorter && g.narrow*float64(g.frames) >= 40
}

// edge reports whether the densest window has an end below which no frame falls.
func (g signs) edge(p limits) bool {
	return g.window >= p.share && g.shorter <= p.shorter && g.skew <= 0.65 && g.calm()
}

// evenOut reports whether frames in a row add up to the same time.
func (g signs) evenOut(p limits) bool {
	return g.window >= p.share && g.fewZ <= -3.7 && g.few <= p.row && g.even && g.calm()
}

// catchesUp reports whether a short frame follows a long one.
func (g signs) catchesUp(p limits) bool {
	return g.window >= p.share && g.lag <= -0.2 && g.lagZ <= -4 && g.level <= 0.6 && g.even
}

// limits are the parameters in force, as shares.
type limits struct {
	window, narrow, share, clipped, shorter, level, row float64
	inexactMS                                           float64
}

func limitsOf(p plugins.Params) limits {
	of := func(name string) float64 { return p.Number(name) / 100 }
	return limits{window: of("window_percent"), narrow: of("narrow_percent"), share: of("share_percent"),
		clipped: of("clipped_percent"),
		shorter: of("shorter_percent"), level: of("level_percent"), row: of("row_percent"),
		inexactMS: p.Number("inexact_us") / 1000}
}

// densest returns the positions in s, sorted, of the most values within a relative
// distance w of the middle between the first and the last of them.
func densest(s []float64, w float64) (from, to int) {
	j := 0
	for i := range s {
		for s[i]*(1-w) > s[j]*(1+w) {
			j++
		}
		if i-j+1 > to-from {
			from, to = j, i+1
		}
	}
	return from, to
}

// densestWidth returns the width of the shortest stretch of s, sorted, that holds a share.
func densestWidth(s []float64, share float64) float64 {
	k, best := max(1, int(share*float64(len(s)))), math.Inf(1)
	for i := 0; i+k < len(s); i++ {
		best = math.Min(best, s[i+k]-s[i])
	}
	return best
}

func below(s []float64, x float64) int {
	i, _ := slices.BinarySearch(s, x)
	return i
}

// share is the share of s, sorted, from lo to below hi.
func share(s []float64, lo, hi float64) float64 {
	return float64(below(s, hi)-below(s, lo)) / float64(len(s))
}

func at(s []float64, p float64) float64 { return s[int(p*float64(len(s)-1))] }

func moments(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	if len(x) < 2 {
		return mean, 0
	}
	return mean, math.Sqrt(sd / float64(len(x)-1))
}

// seconds returns the standard deviation of the number of frames in each full second,
// relative to their mean; a frame that lies in two seconds counts for each by its share.
func seconds(x []float64) float64 {
	var counts []float64
	at, n := 0.0, 0.0
	for _, v := range x {
		end := at + v
		for next := 1000 * float64(len(counts)+1); end >= next && len(counts) < 86400; next += 1000 {
			part := (next - at) / v
			counts = append(counts, n+part)
			n = -part
		}
		at = end
		n++
	}
	if len(counts) < 4 {
		return math.NaN()
	}
	mean, sd := moments(counts)
	return sd / mean
}
