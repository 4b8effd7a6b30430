package background

import (
	"fmt"
	"strconv"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

const cardAdvice = "end that program and repeat the pass; if it is meant to run, name it under [checks.params.background] allow"

// cards judges what others did on the graphics cards that the measured program used.
func cards(c *pick.Case, e record.Evidence, p plugins.Params) {
	if e.Telemetry == nil {
		return
	}
	judged := false
	for n := range maxCards {
		if _, used := e.Telemetry.Find(of(record.SeriesGPUOthers, n)); used {
			card{e, p, n}.judge(c)
			judged = true
		}
	}
	if judged {
		return
	}
	for _, g := range e.Telemetry.Missing {
		if strings.HasPrefix(g.Name, "gpu.") && strings.HasSuffix(g.Name, ".background") {
			c.Unable("other programs on the graphics card: %s", g.Text)
			return
		}
	}
}

// maxCards bounds the numbers of cards that are looked for.
const maxCards = 16

// of puts the card's number into a series' name.
func of(series string, n int) string { return strings.Replace(series, "N", strconv.Itoa(n), 1) }

// card is one graphics card in one pass.
type card struct {
	e record.Evidence
	p plugins.Params
	n int
}

func (k card) judge(c *pick.Case) {
	if !k.shared(c) {
		k.compute(c)
	}
	k.video(c)
	k.hidden(c)
	k.link(c)
	k.memory(c)
}

// known returns the known values of a series of the card, less a constant.
func (k card) known(series string, by float64) []float64 {
	s, _ := k.e.Telemetry.Find(of(series, k.n))
	return less(s.Known(), by)
}

// permitted is what programs that are meant to run used, in per cent.
func (k card) permitted(use func(record.CardUse) float64) float64 {
	sum := 0.0
	for _, u := range k.e.Telemetry.Processes {
		if !u.Game && allowed(u.Name, k.p) {
			sum += k.useOf(u, use)
		}
	}
	return sum
}

func (k card) useOf(u record.ProcessUse, use func(record.CardUse) float64) float64 {
	for _, q := range u.Cards {
		if q.Card == k.n {
			return use(q)
		}
	}
	return 0
}

// by names who used the card.
func (k card) by(use func(record.CardUse) float64) string {
	return culprits(k.e, k.p, func(u record.ProcessUse) float64 { return k.useOf(u, use) })
}

func cores(u record.CardUse) float64 { return max(u.Shading, u.Copy) }

// shared judges the use of the card's cores and copies and reports whether it found any.
func (k card) shared(c *pick.Case) (found bool) {
	x := k.known(record.SeriesGPUOthers, k.permitted(cores))
	step := sampleStep(k.e)
	if seconds := float64(len(x)) * step; len(x) < 3 ||
		100*seconds/k.e.Pass.Metrics.DurationS < k.p.Number("covered_percent") {
		c.Unable("other programs on graphics card %d: the samples cover only %.1f s of the %.1f s of the pass", k.n, seconds,
			k.e.Pass.Metrics.DurationS)
		return false
	}
	limit, heavy := k.p.Number("gpu_percent"), k.p.Number("gpu_heavy_percent")
	above := 0
	for _, v := range x {
		if v >= heavy {
			above++
		}
	}
	mean, over, share := pick.Mean(x), float64(above)*step, 100*float64(above)/float64(len(x))
	k.put(c, "mean_percent", mean)
	k.put(c, "burst_s", over)
	k.put(c, "limit_percent", limit)
	k.put(c, "heavy_limit_percent", heavy)
	what := func(format string, args ...any) string { return fmt.Sprintf(format, args...) + k.by(cores) }
	switch {
	case mean >= heavy:
		c.Found(record.Bad, cardAdvice, "%s", what("other programs took %.0f %% of the graphics card (limit %g %%)", mean,
			limit))
	case over >= k.p.Number("burst_s") && share >= k.p.Number("burst_bad_percent"):
		c.Found(record.Bad, cardAdvice, "%s",
			what("other programs took over %g %% of the graphics card for %.0f s (%.0f %% of the pass)", heavy, over, share))
	case mean >= limit:
		c.Found(record.Doubtful, cardAdvice, "%s", what("other programs took %.0f %% of the graphics card (limit %g %%)",
			mean, limit))
	case over >= k.p.Number("burst_s"):
		c.Found(record.Doubtful, cardAdvice, "%s",
			what("other programs took over %g %% of the graphics card for %.0f s (limit %g s)", heavy, over,
				k.p.Number("burst_s")))
	default:
		return false
	}
	// How the card did meanwhile: a foreign load takes power, and with it clock.
	k.put(c, "power_w", pick.Mean(k.known(record.SeriesGPUPower, 0)))
	k.put(c, "clock_mhz", pick.Mean(k.known(record.SeriesGPUClock, 0)))
	return true
}

func (k card) put(c *pick.Case, name string, value float64) {
	c.Put("gpu_"+strconv.Itoa(k.n)+"_"+name, value)
}

func (k card) video(c *pick.Case) {
	use := func(u record.CardUse) float64 { return u.Video }
	x := k.known(record.SeriesGPUVideo, k.permitted(use))
	if len(x) < 3 {
		return
	}
	mean, limit := pick.Mean(x), k.p.Number("gpu_video_percent")
	k.put(c, "video_percent", mean)
	k.put(c, "video_limit_percent", limit)
	if mean >= limit {
		c.Found(record.Doubtful, cardAdvice,
			"other programs kept the card's video engines busy for %.0f %% of the time (limit %g %%)%s", mean, limit, k.by(use))
	}
}

// hidden judges the load that no program shows.
func (k card) hidden(c *pick.Case) {
	x := k.known(record.SeriesGPUUnknown, 0)
	if len(x) < 3 {
		return
	}
	mean, limit := pick.Mean(x), k.p.Number("gpu_unattributed_percent")
	k.put(c, "unattributed_percent", mean)
	k.put(c, "unattributed_limit_percent", limit)
	if mean >= limit {
		c.Found(record.Doubtful,
			"find which program of another user or of the system uses the card, end it and repeat the pass",
			"programs that the agent may not see caused %.0f %% of the graphics card's load (limit %g %%)", mean, limit)
	}
}

// link judges copies where no engine tells of them: the link is busy while somebody else
// holds a compute context.
func (k card) link(c *pick.Case) {
	x := k.known(record.SeriesGPULink, 0)
	speed := k.linkSpeed()
	if len(x) < 3 || speed == 0 {
		return
	}
	percent, limit := 100*pick.Mean(x)/speed, k.p.Number("gpu_link_percent")
	k.put(c, "link_percent", percent)
	k.put(c, "link_limit_percent", limit)
	holders, _ := k.contexts()
	if percent >= limit && len(holders) > 0 {
		c.Found(record.Doubtful, cardAdvice,
			"the graphics card's link carried %.1f GB/s (%.0f %% of it, limit %g %%) while %s had a compute context",
			pick.Mean(x)/1e9, percent, limit, strings.Join(holders[:min(3, len(holders))], ", "))
	}
}

// contexts lists the other programs that hold a compute context, and what they used.
func (k card) contexts() (names []string, used float64) {
	for _, u := range k.e.Telemetry.Processes {
		for _, q := range u.Cards {
			if q.Card == k.n && q.Compute && !u.Game && !u.Rival && !allowed(u.Name, k.p) {
				names, used = append(names, u.Name), used+cores(q)
			}
		}
	}
	return names, used
}

// compute judges programs that compute: of their copies only a part shows as use.
func (k card) compute(c *pick.Case) {
	names, used := k.contexts()
	limit := k.p.Number("gpu_compute_percent")
	k.put(c, "compute_percent", used)
	k.put(c, "compute_limit_percent", limit)
	if len(names) > 0 && used >= limit {
		c.Found(record.Doubtful, cardAdvice,
			"%s computed or copied on the graphics card, at least %.1f %% of it (limit %g %%)",
			strings.Join(names[:min(3, len(names))], ", "), used, limit)
	}
}

// linkSpeed is what the card's link carries one way, in bytes per second; 0 for unknown.
func (k card) linkSpeed() float64 {
	f, _ := k.e.System.Get("graphics." + strconv.Itoa(k.n) + ".link_best")
	var generation, lanes int
	if _, err := fmt.Sscanf(f.Value, "PCIe %d x%d", &generation, &lanes); err != nil || generation < 1 ||
		generation > len(laneSpeed) {
		return 0
	}
	return laneSpeed[generation-1] * float64(lanes)
}

// laneSpeed is what one lane carries one way by generation, in bytes per second: transfer
// rate (2.5, 5, 8, 16, 32, 64 GT/s) less the line code (8b/10b, then 128b/130b, then flits
// of which 242 of 256 bytes are data), by the PCI Express Base Specification, from memory.
var laneSpeed = []float64{2.5e9 / 10, 5e9 / 10, 8e9 / 8 * 128 / 130, 16e9 / 8 * 128 / 130, 32e9 / 8 * 128 / 130,
	64e9 / 8 * 242 / 256}

// memory judges a card whose memory is full while others hold part of it. A game that
// fills it alone is as it is.
func (k card) memory(c *pick.Case) {
	f, _ := k.e.System.Get("graphics." + strconv.Itoa(k.n) + ".memory")
	mib, err := strconv.ParseFloat(f.Value, 64)
	used := k.known(record.SeriesGPUMemUsed, 0)
	if err != nil || mib <= 0 || len(used) < 3 {
		return
	}
	total := mib * (1 << 20)
	held := func(u record.CardUse) float64 { return 100 * float64(u.Memory) / total }
	others := 0.0
	for _, u := range k.e.Telemetry.Processes {
		if !u.Game && !u.Rival && !allowed(u.Name, k.p) {
			others += k.useOf(u, held)
		}
	}
	full, limit := 100*pick.Quantile(used, 0.95)/total, k.p.Number("gpu_memory_percent")
	k.put(c, "memory_percent", full)
	k.put(c, "memory_limit_percent", limit)
	k.put(c, "memory_others_percent", others)
	k.put(c, "memory_others_limit_percent", k.p.Number("gpu_memory_others_percent"))
	if full >= limit && others >= k.p.Number("gpu_memory_others_percent") {
		c.Found(record.Doubtful, "end the programs that hold the card's memory and repeat the pass",
			"the graphics card's memory was full (%.0f %% of %.1f GiB), and other programs held %.0f %% of it%s", full,
			total/(1<<30), others, k.by(held))
	}
}
