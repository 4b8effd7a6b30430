package metrics

import (
	"math"
	"slices"

	"capd.example/record"
	"capd.example/stats"
)

// Cap says how many frames of a pass are at one rate. A large share alone is no proof: a pass
// without a limit has some of its frames near any rate. Whether a limit held the pass is what
// the check framecap judges, by other signs and without a rate.
type Cap struct {
	FPS     float64 `json:"fps"`
	Share   float64 `json:"share"`   // frames within CapTolerance of one, two or three intervals
	AtOne   float64 `json:"at_one"`  // of one interval
	Shorter float64 `json:"shorter"` // frames shorter than the interval
	Beside  float64 `json:"beside"`  // the larger share at intervals 5 % shorter and longer
}

// CapTolerance is the relative difference within which a frame is at an interval.
const CapTolerance = 0.01

func capAt(ms []float64, rate float64) Cap {
	at := stats.HitsAt(ms, rate, CapTolerance)
	c := Cap{FPS: rate, Share: at.Share(3), AtOne: at.Share(1), Shorter: at.ShorterShare()}
	for _, r := range []float64{rate / 1.05, rate / 0.95} {
		c.Beside = math.Max(c.Beside, stats.HitsAt(ms, r, CapTolerance).Share(3))
	}
	return c
}

// Trend is how a pass changes from its beginning to its end, over the mean frame times of
// its full seconds. Frames close to each other are alike, which would make any test on
// single frames see trends everywhere.
type Trend struct {
	Seconds       int     `json:"seconds"`
	Z             float64 `json:"z"`              // Mann-Kendall; above zero: frames get longer
	P             float64 `json:"p"`              // two-sided
	ChangePercent float64 `json:"change_percent"` // Theil-Sen slope from first to last second, of the median second
	ChangeLow     float64 `json:"change_low"`     // 95 % limits by Sen
	ChangeHigh    float64 `json:"change_high"`
	// Changed: P below 0.01 and a change of more than 2 % (a convention). A scene that
	// changes by itself has a trend too: compare with the other passes of the cell.
	Changed bool  `json:"changed"`
	Step    *Step `json:"step,omitempty"` // left out below 30 seconds and where no step is warranted

	// How much a frame tells that its neighbours did not: n / (1 + 2 sum of the
	// autocorrelations), over single frames.
	Lag1            float64 `json:"lag1"`
	EffectiveFrames float64 `json:"effective_frames"`
}

// Step is the place in a pass from which frames take another time.
type Step struct {
	AfterS        int     `json:"after_s"`
	ChangePercent float64 `json:"change_percent"` // of the mean frame time
	P             float64 `json:"p"`              // Pettitt's rank test
}

// mostSeconds is up to how many seconds each counts by itself; those of longer passes are
// averaged in blocks, because the slope looks at every pair.
const mostSeconds = 1200

func trendOf(ms []float64) (*Trend, error) {
	t := &Trend{P: 1, EffectiveFrames: float64(len(ms))}
	if err := t.correlation(ms); err != nil {
		return nil, err
	}
	s := stats.SecondMeans(ms)
	t.Seconds = len(s)
	block := (len(s) + mostSeconds - 1) / mostSeconds
	s = averaged(s, block)
	if len(s) < 4 {
		return t, nil
	}
	k, err := stats.MannKendall(s)
	if err != nil {
		return nil, err
	}
	line, err := stats.TheilSen(nil, s, 0.95)
	if err != nil {
		return nil, err
	}
	median, _, err := stats.MAD(s)
	if err != nil {
		return nil, err
	}
	percent := 100 * float64(len(s)-1) / median
	t.Z, t.P = k.Z, k.P
	t.ChangePercent, t.ChangeLow, t.ChangeHigh = percent*line.Slope, percent*line.Low, percent*line.High
	t.Changed = t.P < 0.01 && math.Abs(t.ChangePercent) > 2
	if len(s) < 30 {
		return t, nil
	}
	return t, t.step(s, block)
}

func (t *Trend) step(s []float64, block int) error {
	found, err := stats.FindStep(s, max(2, len(s)/20))
	if err != nil {
		return err
	}
	if found.Warranted {
		t.Step = &Step{AfterS: found.After * block, ChangePercent: 100 * (found.MeanAfter/found.MeanBefore - 1),
			P: found.PettittP}
	}
	return nil
}

func (t *Trend) correlation(ms []float64) error {
	if len(ms) < 4 {
		return nil
	}
	r, err := stats.Autocorrelation(ms, 1)
	if err != nil {
		return err
	}
	if math.IsNaN(r[0]) { // all frames alike
		return nil
	}
	t.Lag1 = r[0]
	t.EffectiveFrames, err = stats.EffectiveSize(ms)
	return err
}

func averaged(s []float64, block int) []float64 {
	if block < 2 {
		return s
	}
	var out []float64
	for c := range slices.Chunk(s, block) {
		sum := 0.0
		for _, v := range c {
			sum += v
		}
		out = append(out, sum/float64(len(c)))
	}
	return out
}

// Interval holds limits of the default rates from a bootstrap of moving blocks of frames
// (Kunsch 1989). They say how well this one pass knows its own figures and nothing about
// the spread between passes.
type Interval struct {
	Method      string  `json:"method"` // "moving blocks"
	Block       int     `json:"block"`  // frames
	Resamples   int     `json:"resamples"`
	Seed        uint64  `json:"seed"`
	Confidence  float64 `json:"confidence"`
	AvgFPS      Limits  `json:"avg_fps"`
	Low1FPS     Limits  `json:"low1_fps"`
	Low01FPS    Limits  `json:"low01_fps"`
	Low1TimeFPS Limits  `json:"low1_time_fps"`
	P99FPS      Limits  `json:"p99_fps"`
}

// Limits are percentile limits and the standard error of a rate, frames per second.
type Limits struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	SE   float64 `json:"se"`
}

// interval resamples once for all rates, which [Compute] gives of each resample.
func interval(f record.Frames, whole record.Metrics, d Draws) (*Interval, error) {
	if d.Block == 0 {
		d.Block = int(math.Sqrt(float64(len(f.MS))))
	}
	d.Block = min(d.Block, len(f.MS))
	var values [5][]float64
	for drawn := range stats.Blocks(f.MS, d.Block, stats.Draws{N: d.N, Seed: d.Seed, Confidence: d.Confidence}) {
		m, err := Compute(record.Frames{MS: drawn, Decimals: f.Decimals})
		if err != nil {
			return nil, err
		}
		for k, v := range rates(m) {
			values[k] = append(values[k], v)
		}
	}
	i := &Interval{Method: "moving blocks", Block: d.Block, Resamples: d.N, Seed: d.Seed, Confidence: d.Confidence}
	to := [5]*Limits{&i.AvgFPS, &i.Low1FPS, &i.Low01FPS, &i.Low1TimeFPS, &i.P99FPS}
	for k, v := range rates(whole) {
		b, err := stats.OfResamples(v, values[k], d.Confidence)
		if err != nil {
			return nil, err
		}
		*to[k] = Limits{Low: b.Low, High: b.High, SE: b.SE}
	}
	return i, nil
}

func rates(m record.Metrics) [5]float64 {
	return [5]float64{m.AvgFPS, m.Low1FPS, m.Low01FPS, m.Low1TimeFPS, m.P99FPS}
}
