// Package background finds passes during which the bench was busy with something else
// than the measured program.
//
// The load is per cent of one core, whatever the number of cores: a program that keeps
// one core busy takes the turbo headroom and the cache of all. Limits are conventions
// (common practice, no source): a desktop at rest takes a few per cent of one core.
package background

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"strings"

	"capd.example/plugins"
	"capd.example/plugins/internal/pick"
	"capd.example/record"
)

// Validator is the check. It has no state.
type Validator struct{}

// Describe implements [plugins.Validator].
func (Validator) Describe() plugins.Description {
	return plugins.Description{
		Name: "background", Version: "1",
		About: "nothing but the measured program kept the bench busy",
		Needs: []string{"telemetry " + record.SeriesBackground},
		Parameters: []plugins.Parameter{
			plugins.Num("sustained_percent", "10", "% of one core", "median load over the pass from which it is doubtful"),
			plugins.Num("heavy_percent", "50", "% of one core",
				"median load from which the pass is bad; also the load of a burst"),
			plugins.Num("burst_s", "3", "s", "time above heavy_percent from which the pass is doubtful"),
			plugins.Num("burst_bad_percent", "20", "% of the pass", "time above heavy_percent from which the pass is bad"),
			plugins.Num("covered_percent", "50", "% of the pass", "the check needs samples for this share of the pass"),
			plugins.Num("steal_percent", "2", "% of the machine",
				"mean time taken by a hypervisor from which the pass is doubtful"),
			plugins.Num("memory_stall_percent", "5", "% of the time",
				"mean time that programs waited for memory from which the pass is doubtful"),
			plugins.Num("swap_pages_s", "200", "pages/s", "mean rate of paging in from which the pass is doubtful"),
			plugins.Num("write_mb_s", "50", "MB/s",
				"disk writes that count as a burst; reads are not judged, the game itself reads"),
			plugins.Num("receive_mb_s", "10", "MB/s", "network reception that counts as a burst"),
			plugins.Num("gpu_percent", "3", "% of the card",
				"mean use of the card by others, of its cores or for copies, from which the pass is doubtful"),
			plugins.Num("gpu_heavy_percent", "20", "% of the card",
				"mean use from which the pass is bad; also the use of a burst"),
			plugins.Num("gpu_video_percent", "20", "% of the video engines",
				"mean use by others, such as a film or a recorder, from which the pass is doubtful"),
			plugins.Num("gpu_unattributed_percent", "25", "% of the card",
				"mean load that no visible program explains from which the pass is doubtful"),
			plugins.Num("gpu_compute_percent", "0.5", "% of the card",
				"use by others that hold a compute context, whose copies show in part, from which the pass is doubtful"),
			plugins.Num("gpu_link_percent", "3", "% of the link",
				"mean use of the card's link one way, while others hold a compute context, from which the pass is doubtful"),
			plugins.Num("gpu_memory_percent", "97", "% of the card's memory", "use from which it counts as full"),
			plugins.Num("gpu_memory_others_percent", "10", "% of the card's memory", "what others may hold of a full card"),
			{Name: "allow", Type: plugins.Text, Default: "",
				About: "programs that are meant to run beside the measured one, by name, separated by commas"},
		},
	}
}

// Check implements [plugins.Validator].
func (Validator) Check(_ context.Context, e record.Evidence, p plugins.Params) record.Finding {
	c := pick.NewCase()
	ok := load(c, e, p)
	cards(c, e, p)
	level(c, e, p, record.SeriesSteal, "steal_percent", "%", "a hypervisor took", "of the machine",
		"measure on real hardware or on a quiet host")
	level(c, e, p, record.SeriesMemStall, "memory_stall_percent", "%", "programs waited for memory", "of the time",
		"close programs or fit more memory, then repeat the pass")
	level(c, e, p, record.SeriesSwapIn, "swap_pages_s", " pages/s", "the system paged in", "",
		"close programs or fit more memory, then repeat the pass")
	burst(c, e, p, record.SeriesDiskWrite, "write_mb_s", "something wrote to the disk")
	burst(c, e, p, record.SeriesNetRecv, "receive_mb_s", "something downloaded")
	return c.Finding(ok)
}

// load judges the processor load of everything else; it returns the sentence for a quiet
// pass, "" where it could not look.
func load(c *pick.Case, e record.Evidence, p plugins.Params) string {
	s, ok := e.Telemetry.Find(record.SeriesBackground)
	if !ok {
		c.Unable("%s", pick.Missing(e, record.SeriesBackground))
		return ""
	}
	x := less(s.Known(), allowedLoad(e, p))
	step := sampleStep(e)
	seconds := float64(len(x)) * step
	if covered := 100 * seconds / e.Pass.Metrics.DurationS; len(x) < 3 || covered < p.Number("covered_percent") {
		c.Unable("the samples cover only %.1f s of the %.1f s of the pass", seconds, e.Pass.Metrics.DurationS)
		return ""
	}
	sustained, heavy := p.Number("sustained_percent"), p.Number("heavy_percent")
	above := 0
	for _, v := range x {
		if v >= heavy {
			above++
		}
	}
	median, over := pick.Median(x), float64(above)*step
	share := 100 * float64(above) / float64(len(x))
	c.Put("median_core_percent", median)
	c.Put("p95_core_percent", pick.Quantile(x, 0.95))
	c.Put("burst_s", over)
	c.Put("sustained_limit_percent", sustained)
	c.Put("heavy_limit_percent", heavy)
	c.Put("burst_limit_s", p.Number("burst_s"))
	advice := "end that program or wait until it is done, then repeat the pass"
	by := names(e, p)
	switch {
	case median >= heavy || share >= p.Number("burst_bad_percent"):
		c.Found(record.Bad, advice,
			"other programs took over %g %% of one core for %.0f s (%.0f %% of the pass), and %.0f %% in the median%s", heavy, over,
			share, median, by)
	case median >= sustained:
		c.Found(record.Doubtful, advice, "other programs took %.0f %% of one core (limit %g %%)%s", median, sustained, by)
	case over >= p.Number("burst_s"):
		c.Found(record.Doubtful, advice, "other programs took over %g %% of one core for %.0f s (limit %g s)%s", heavy, over,
			p.Number("burst_s"), by)
	}
	return fmt.Sprintf("other programs took %.1f %% of one core (limit %g %%)", median, sustained)
}

// sampleStep is the time between samples in seconds, 1 where it is not known.
func sampleStep(e record.Evidence) float64 {
	at := e.Telemetry.At
	if len(at) < 2 {
		return 1
	}
	return at[len(at)-1].Sub(at[0]).Seconds() / float64(len(at)-1)
}

// names lists the programs that used most of the processor, the largest first.
func names(e record.Evidence, p plugins.Params) string {
	return culprits(e, p, func(u record.ProcessUse) float64 { return u.Percent })
}

// culprits lists the programs that used most of something, the largest first, but not the
// measured one and those that are meant to run. Where several programs could be the
// measured one they stand together, since one of them is not to blame.
func culprits(e record.Evidence, p plugins.Params, of func(record.ProcessUse) float64) string {
	type use struct {
		name string
		most float64
	}
	most := map[string]float64{}
	var rivals []string
	for _, u := range e.Telemetry.Processes {
		switch {
		case u.Rival:
			if !slices.Contains(rivals, u.Name) {
				rivals = append(rivals, u.Name)
			}
		case !u.Game && !allowed(u.Name, p):
			most[u.Name] = max(most[u.Name], of(u))
		}
	}
	var list []use
	for name, percent := range most {
		if percent >= 1 {
			list = append(list, use{name, percent})
		}
	}
	sort.Slice(list, func(i, j int) bool {
		return list[i].most > list[j].most || list[i].most == list[j].most && list[i].name < list[j].name
	})
	var out []string
	for _, u := range list[:min(3, len(list))] {
		out = append(out, fmt.Sprintf("%s (%.0f %%)", u.name, u.most))
	}
	text := ""
	if len(out) > 0 {
		text = ", most of all " + strings.Join(out, ", ")
	}
	if len(rivals) > 1 {
		slices.Sort(rivals)
		text += "; it is unknown which of " + strings.Join(rivals, ", ") + " was the game"
	}
	return text
}

// allowed reports whether a program is meant to run beside the measured one.
func allowed(name string, p plugins.Params) bool {
	for _, a := range strings.Split(p.Text("allow"), ",") {
		if a = strings.TrimSpace(a); a != "" && strings.EqualFold(strings.TrimSuffix(strings.ToLower(a), ".exe"),
			strings.TrimSuffix(strings.ToLower(name), ".exe")) {
			return true
		}
	}
	return false
}

// allowedLoad is what programs that are meant to run used of one core.
func allowedLoad(e record.Evidence, p plugins.Params) float64 {
	sum := 0.0
	for _, u := range e.Telemetry.Processes {
		if !u.Game && allowed(u.Name, p) {
			sum += u.Percent
		}
	}
	return sum
}

// less takes a constant from each value; what would be below zero is zero.
func less(x []float64, by float64) []float64 {
	for i := range x {
		x[i] = max(0, x[i]-by)
	}
	return x
}

// level judges the mean of a series.
func level(c *pick.Case, e record.Evidence, p plugins.Params, series, limit, unit, what, of, advice string) {
	s, ok := e.Telemetry.Find(series)
	x := s.Known()
	if !ok || len(x) < 3 {
		return
	}
	mean := pick.Mean(x)
	c.Put(strings.ReplaceAll(series, ".", "_"), mean)
	c.Put(limit+"_limit", p.Number(limit))
	if mean >= p.Number(limit) {
		c.Found(record.Doubtful, advice, "%s",
			strings.TrimSpace(fmt.Sprintf("%s %.1f%s %s (limit %g%s)", what, mean, unit, of, p.Number(limit), unit)))
	}
}

// burst judges the time that a series spends above a rate given in MB/s.
func burst(c *pick.Case, e record.Evidence, p plugins.Params, series, limit, what string) {
	s, ok := e.Telemetry.Find(series)
	x := s.Known()
	if !ok || len(x) < 3 {
		return
	}
	above, most := 0, 0.0
	for _, v := range x {
		most = max(most, v/1e6)
		if v/1e6 >= p.Number(limit) {
			above++
		}
	}
	c.Put(limit+"_most", most)
	c.Put(limit+"_limit", p.Number(limit))
	if over := float64(above) * sampleStep(e); over >= p.Number("burst_s") {
		c.Found(record.Doubtful, "end that program or wait until it is done, then repeat the pass",
			"%s: up to %.0f MB/s, and over %g MB/s for %.0f s (limit %g s)", what, most, p.Number(limit), over,
			p.Number("burst_s"))
	}
}
