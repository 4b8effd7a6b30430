package limit_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"capd.example/analysis"
	"capd.example/analysis/compare"
	"capd.example/analysis/limit"
	"capd.example/internal/testlab"
	"capd.example/record"
	"capd.example/stats"
)

// bottleneck simulates a matrix whose truth is known: rates of a soft minimum with
// sharpness q and lognormal noise of passes. shift changes one cell, by "cpu/gpu".
func bottleneck(r *rand.Rand, cpu, gpu []float64, q, noise float64, n int, shift map[string]float64) (out []record.Pass, share map[string]float64) {
	share = map[string]float64{}
	for i, c := range cpu {
		for j, g := range gpu {
			y, s := stats.SoftMin(c, g, q)
			key := fmt.Sprintf("P%d/G%d", i+1, j+1)
			share[key] = s
			if f, ok := shift[key]; ok {
				y *= f
			}
			var rates []float64
			for k := 0; k < n; k++ {
				rates = append(rates, noisy(r, y, noise))
			}
			out = append(out, passes(cell(fmt.Sprintf("P%d", i+1), fmt.Sprintf("G%d", j+1), "Lanterns", "1920x1080"), rates...)...)
		}
	}
	return out, share
}

var (
	simProcessors = []float64{95, 118, 140, 171, 205}
	simCards      = []float64{62, 80, 101, 126, 160, 215}
)

// On simulated matrices the word agrees with the true share: never the wrong part, and
// where one part clearly limits it is named.
func TestLimitsOfKnownMatrices(t *testing.T) {
	r := testlab.Rand(21, 22)
	clear, named, wrong, all := 0, 0, 0, 0
	for range testlab.Rounds(t, 12, 200) {
		p, share := bottleneck(r, simProcessors, simCards, 4+8*r.Float64(), 0.006, 3, nil)
		limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
		for _, l := range limits {
			s := share[l.Factors["cpu"]+"/"+l.Factors["gpu"]]
			all++
			if l.Limit == analysis.ByProcessor && s < 0.5 || l.Limit == analysis.ByGraphics && s > 0.5 {
				wrong++
			}
			if s > 0.9 || s < 0.1 {
				clear++
				if l.Limit == analysis.ByProcessor || l.Limit == analysis.ByGraphics {
					named++
				}
			}
		}
	}
	t.Logf("%d cells, wrong part %d; %d clear ones, named %d", all, wrong, clear, named)
	if wrong > all/200 || float64(named) < 0.95*float64(clear) {
		t.Errorf("of %d cells %d name the wrong part; of %d clear ones %d are named", all, wrong, clear, named)
	}
}

func TestLimitsThatCannotBeTold(t *testing.T) {
	one := passes(cell("P1", "G1", "Lanterns", "1"), 100, 100.2, 99.9)
	limits, _ := limit.Limits(analysis.Cells(one, analysis.Options{}), nil, analysis.Options{})
	if limits[0].Limit != limit.Unknown || limits[0].Reason == "" {
		t.Errorf("one cell: %+v", limits[0])
	}
	// Telemetry alone can tell.
	loads := map[string]limit.Load{}
	for _, p := range one {
		loads[p.ID] = limit.Load{Graphics: 99, Core: 60}
	}
	limits, _ = limit.Limits(analysis.Cells(one, analysis.Options{}), loads, analysis.Options{})
	if limits[0].Limit != analysis.ByGraphics {
		t.Errorf("graphics load of 99 %%: %+v", limits[0])
	}
	for i := range one {
		one[i].Findings = []record.Finding{{Check: "framecap", Outcome: record.OK, Numbers: map[string]float64{"cap_fps": 100}}}
	}
	limits, _ = limit.Limits(analysis.Cells(one, analysis.Options{}), nil, analysis.Options{})
	if limits[0].Limit != limit.ByCap {
		t.Errorf("capped: %+v", limits[0])
	}
	nameless := passes(map[string]string{"game": "Lanterns"}, 100, 101)
	limits, _ = limit.Limits(analysis.Cells(nameless, analysis.Options{}), nil, analysis.Options{})
	if limits[0].Limit != limit.Unknown {
		t.Errorf("no parts named: %+v", limits[0])
	}
}

// Another resolution is more or less work for the same card, not another card; and one pass
// alone does not say that a change is noise.
func TestLimitsInWords(t *testing.T) {
	words := func(rates map[string][]float64) string {
		var p []record.Pass
		for _, cpu := range []string{"P1", "P2"} {
			for _, resolution := range []string{"1920x1080", "2560x1440"} {
				p = append(p, passes(cell(cpu, "G1", "Lanterns", resolution), rates[resolution]...)...)
			}
		}
		limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), nil, analysis.Options{})
		all := ""
		for _, l := range limits {
			all += l.Reason + "\n"
		}
		return all
	}
	got := words(map[string][]float64{"1920x1080": {140, 140.3, 139.8}, "2560x1440": {80, 80.1, 79.9}})
	if !strings.Contains(got, "less work for the same card (at 1920x1080) changes +75.0 %, beyond noise") || strings.Contains(got, "better card") {
		t.Errorf("another resolution:\n%s", got)
	}
	got = words(map[string][]float64{"1920x1080": {140}, "2560x1440": {80}})
	if !strings.Contains(got, "of which one pass alone cannot tell whether it is noise") || strings.Contains(got, "not beyond noise") {
		t.Errorf("one pass a cell:\n%s", got)
	}
}

// A card that idles contradicts a matrix that says the card limits: nothing is claimed.
func TestLimitsContradicted(t *testing.T) {
	r := testlab.Rand(23, 24)
	p, _ := bottleneck(r, simProcessors, simCards, 8, 0.004, 3, nil)
	loads := map[string]limit.Load{}
	for _, x := range p {
		loads[x.ID] = limit.Load{Graphics: 50, Core: analysis.Undefined}
	}
	limits, _ := limit.Limits(analysis.Cells(p, analysis.Options{}), loads, analysis.Options{})
	for _, l := range limits {
		if l.Limit == analysis.ByGraphics {
			t.Errorf("%s: %s", l.Name(), l.Reason)
		}
	}
}

// Small matrices like the recorded one: 3 x 4 cells, cells bound by the card repeat to
// 0.02 % and those bound by the processor to 5 %. Hardly a cell gets the wrong part, what the
// card clearly limits is named, and no processor is faster where the card limits. Three
// such passes do not tell of every cell that the processor limits.
func TestLimitsOfUnevenNoise(t *testing.T) {
	r := testlab.Rand(25, 26)
	n := testlab.Rounds(t, 20, 100)
	wrong, clearCard, namedCard, clearCPU, namedCPU, falseFaster, tables := 0, 0, 0, 0, 0, 0, 0
	for range n {
		cpu, gpu, q := []float64{147, 200, 235}, []float64{72, 139, 212, 360}, 6+8*r.Float64()
		scale := 0.7 + 0.8*r.Float64()
		var p []record.Pass
		share := map[string]float64{}
		for i, c := range cpu {
			for j, g := range gpu {
				y, s := stats.SoftMin(scale*c, scale*g, q)
				a, b := fmt.Sprintf("c%d", i), fmt.Sprintf("g%d", j)
				share[a+b] = s
				noise := 0.0002 + 0.05*s
				p = append(p, passes(cell(a, b, "L", "1"), noisy(r, y, noise), noisy(r, y, noise), noisy(r, y, noise))...)
			}
		}
		cells := analysis.Cells(p, analysis.Options{})
		limits, _ := limit.Limits(cells, nil, analysis.Options{})
		for _, l := range limits {
			s := share[l.Factors["cpu"]+l.Factors["gpu"]]
			if l.Limit == analysis.ByProcessor && s < 0.5 || l.Limit == analysis.ByGraphics && s > 0.5 {
				wrong++
			}
			switch {
			case s < 0.05:
				clearCard++
				if l.Limit == analysis.ByGraphics {
					namedCard++
				}
			case s > 0.95:
				clearCPU++
				if l.Limit == analysis.ByProcessor {
					namedCPU++
				}
			}
		}
		margins, err := compare.Margins(cells, "cpu", "", analysis.Average, analysis.Options{})
		if err != nil {
			t.Fatal(err)
		}
		bad := false
		for _, m := range margins {
			bad = bad || m.Factors["gpu"] == "g0" && (m.Call == compare.Faster || m.Call == compare.Slower)
		}
		tables++
		if bad {
			falseFaster++
		}
	}
	t.Logf("%d tables: wrong part %d cells; bound by the card %d, named %d; by the processor %d, named %d; tables with a false margin %d", tables, wrong, clearCard, namedCard, clearCPU, namedCPU, falseFaster)
	if wrong > 1+n/50 || float64(namedCard) < 0.95*float64(clearCard) || float64(namedCPU) < 0.55*float64(clearCPU) || falseFaster > n/20+2 {
		t.Error("too many")
	}
}
