package testlab

import (
	"math"
	"math/rand/v2"
)

// Scene describes invented frame times. They behave like those of a real program:
// neighbours resemble each other, the spread is skewed to the slow side, the load of the
// scene rises and falls in the same places in every pass, and now and then a frame
// hitches. Invented data is for tests and the demo only.
type Scene struct {
	Seed     uint64  // of this pass; the scene itself depends on Load alone
	FPS      float64 // level of the pass
	Seconds  float64
	Spread   float64 // standard deviation of ln(frame time) between neighbouring frames; 0 means 0.06
	Load     uint64  // seed of the scene's course of load, equal for all passes of a cell
	Hitches  float64 // hitches per minute; negative for none, 0 means 2
	CapFPS   float64 // frames are held back to this rate; 0 for no cap
	StallAtS float64 // a pause of StallS seconds begins here
	StallS   float64
	SlowAtS  float64 // from here on frames take SlowBy times as long
	SlowBy   float64
	Drift    float64 // relative change of the frame time over the pass
}

// Frames returns the scene's frame times in ms, on a grid of a microsecond.
func (s Scene) Frames() []float64 {
	spread, hitches := s.Spread, s.Hitches
	if spread == 0 {
		spread = 0.06
	}
	if hitches == 0 {
		hitches = 2
	}
	rng := rand.New(rand.NewPCG(s.Seed, 0x5eed))
	course := newCourse(s.Load)
	base := 1000 / s.FPS
	const ar = 0.7 // resemblance of neighbours
	var out []float64
	var state, at float64
	for at < s.Seconds*1000 {
		t := at / 1000
		state = ar*state + math.Sqrt(1-ar*ar)*rng.NormFloat64()
		// The exponential tail gives the skew of real frame times.
		x := base * course.at(t) * math.Exp(spread*state) * (1 + 0.5*spread*rng.ExpFloat64())
		x *= 1 + s.Drift*t/s.Seconds
		if hitches > 0 && rng.Float64() < hitches/60*x/1000 {
			x += base * (2 + 3*rng.ExpFloat64())
		}
		if s.SlowBy > 0 && t >= s.SlowAtS {
			x *= s.SlowBy
		}
		if s.CapFPS > 0 {
			x = math.Max(x, 1000/s.CapFPS+0.01*rng.NormFloat64())
		}
		if s.StallS > 0 && t >= s.StallAtS {
			x += s.StallS * 1000
			s.StallS = 0
		}
		x = math.Round(x*1000) / 1000
		out = append(out, x)
		at += x
	}
	return out
}

// course is the load of a scene over its time: a few slow waves about 1.
type course struct{ freq, phase, amp [4]float64 }

func newCourse(seed uint64) course {
	rng := rand.New(rand.NewPCG(seed, 0x10ad))
	var c course
	for i := range c.freq {
		c.freq[i] = 0.02 + 0.3*rng.Float64()
		c.phase[i] = 2 * math.Pi * rng.Float64()
		c.amp[i] = 0.05 * rng.Float64()
	}
	return c
}

func (c course) at(t float64) float64 {
	x := 1.0
	for i := range c.freq {
		x += c.amp[i] * math.Sin(2*math.Pi*c.freq[i]*t+c.phase[i])
	}
	return x
}
