package framecap

import (
	"math"
	"slices"
)

// stretch is a part of a pass in which frames are held.
type stretch struct {
	signs
	first, end int     // frames
	from, to   float64 // s
}

// piece is about a second of a pass, of at least pieceFrames.
type piece struct {
	first, end int
	from, to   float64
	interval   float64 // ms, of the densest window
	share      float64
}

const pieceFrames = 24

// sameLevel is how far apart the levels of neighbouring pieces of a held stretch may be.
const sameLevel = 0.005

// stretches returns the parts of a pass in which at least half of the frames are held to
// one interval, and which show the signs by themselves.
func stretches(x []float64, p limits, least float64, frames int) []stretch {
	var out []stretch
	all := pieces(x, p)
	for i := 0; i < len(all); {
		j := i + 1
		if all[i].share < 0.5 {
			i = j
			continue
		}
		for j < len(all) && all[j].share >= 0.5 && math.Abs(all[j].interval/all[i].interval-1) <= sameLevel {
			j++
		}
		s := stretch{first: all[i].first, end: all[j-1].end, from: all[i].from, to: all[j-1].to}
		i = j
		if s.to-s.from < least || s.end-s.first < frames {
			continue
		}
		s.signs = look(x[s.first:s.end], p)
		if s.judge(p) != none {
			out = append(out, s)
		}
	}
	return out
}

func pieces(x []float64, p limits) []piece {
	var out []piece
	var at float64
	now := piece{}
	for i, v := range x {
		at += v / 1000
		if i+1-now.first < pieceFrames || at-now.from < 1 {
			continue
		}
		now.end, now.to = i+1, at
		s := sorted(x[now.first:now.end])
		from, to := densest(s, p.window)
		now.interval, now.share = s[(from+to)/2], float64(to-from)/float64(len(s))
		out = append(out, now)
		now = piece{first: i + 1, from: at}
	}
	return out
}

// onlyIn reports whether what the whole pass shows comes from its held stretches alone,
// with a good part of the pass outside them in which hardly a frame is held.
func onlyIn(held []stretch, x []float64, g signs, p limits) bool {
	if len(held) == 0 {
		return false
	}
	inside, total, covered := 0, 0.0, 0.0
	for _, v := range x {
		total += v / 1000
	}
	outside, k := 0, 0
	for i, v := range x {
		for k < len(held) && i >= held[k].end {
			k++
		}
		if k < len(held) && i >= held[k].first {
			inside++
			covered += v / 1000
		} else if math.Abs(v/g.interval-1) <= 2*p.window {
			outside++
		}
	}
	return covered < 0.9*total && float64(outside) < 0.12*float64(len(x)-inside)
}

func sorted(x []float64) []float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s
}

// usable leaves out what is no frame time.
func usable(x []float64) []float64 {
	bad := func(v float64) bool { return !(v > 0) || math.IsInf(v, 0) }
	if !slices.ContainsFunc(x, bad) {
		return x
	}
	return slices.DeleteFunc(slices.Clone(x), bad)
}

// clocks are the steps in ms that a coarse clock may have though the log shows more
// decimals.
var clocks = []float64{1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01}

// resolution returns the step in ms between neighbouring values that the log can hold: by
// its decimals, or a coarser one that nearly all values lie on, those beside the commonest
// too (a screen's multiples lie far apart). Where nearly all lie on it to a thousandth, as
// no limiter holds them, few beside the commonest do. 0 where neither is known.
func resolution(x []float64, decimals int) float64 {
	known := 0.0
	if decimals >= 0 {
		known = math.Pow(10, -float64(decimals))
	}
	for _, step := range clocks {
		if step <= known {
			break
		}
		on, exact, count := 0, 0, map[int]int{}
		for _, v := range x {
			n := math.Round(v / step)
			if off := math.Abs(v - n*step); off <= 0.01*step {
				on++
				count[int(n)]++
				if off <= 0.001*step {
					exact++
				}
			}
		}
		if float64(on) < 0.98*float64(len(x)) {
			continue
		}
		common := 0
		for n, times := range count {
			if times > count[common] || times == count[common] && n < common {
				common = n
			}
		}
		few := 20
		if float64(exact) >= 0.98*float64(len(x)) {
			few = 1000
		}
		if few*max(count[common-1], count[common+1]) >= count[common] {
			return step
		}
	}
	return known
}

// coarse judges a log whose resolution hides the times of single frames, by the time of a
// quarter of all frames in a row: three quarters of these are alike within what the
// resolution makes of equal ones, and that is hardly anything. Differences of time stamps
// are off by one step however many they are; rounded durations add up.
func (g *signs) coarse(x []float64, step float64, stamps bool) sign {
	k := len(x) / 4
	ends := make([]float64, len(x)+1)
	for i, v := range x {
		ends[i+1] = ends[i] + v
	}
	var rows []float64
	for i := 0; i+k < len(ends); i += max(1, k/64) {
		rows = append(rows, ends[i+k]-ends[i])
	}
	slices.Sort(rows)
	middle := at(rows, 0.5)
	width := at(rows, 0.875) - at(rows, 0.125)
	allowed := 1.01 * step
	if !stamps {
		allowed = math.Max(allowed, 0.8*step*math.Sqrt(float64(k)))
	}
	if width > allowed || allowed > 0.0003*middle {
		return none
	}
	g.mean, g.rowFrames, g.rowSpread = middle/float64(k), k, width/2.3/middle
	return schedule
}
