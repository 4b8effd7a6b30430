package power_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"capd.example/analysis"
	"capd.example/analysis/power"
	"capd.example/record"
)

func series(name string, values ...float64) record.Series {
	return record.Series{Name: name, Source: "test", Values: values}
}

func near(t *testing.T, what string, got analysis.Number, want float64) {
	t.Helper()
	if !got.Known() || math.Abs(float64(got)-want) > 1e-9*math.Max(1, math.Abs(want)) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// Means, medians and largest samples of what is there; what is half unknown is not told.
func TestReading(t *testing.T) {
	nan := math.NaN()
	r, ok := power.Of(
		&record.Telemetry{
			Series: []record.Series{series("gpu.0.power", 200, 220, 240), series("gpu.0.temp", 60, 71, 70),
				series(
					"gpu.0.clock",
					2500,
					2400,
					2600,
				), series("gpu.1.power", 999, 999, 999), series("cpu.power", nan, nan, 80),
				series(
					"cpu.throttle_count",
					5,
					5,
					9,
				), series("gpu.0.throttle", record.ThrottlePower, record.ThrottlePower|record.ThrottleThermal, 0)},
		},
	)
	if !ok {
		t.Fatal("nothing was read")
	}
	near(t, "mean power", r.CardWatts, 220)
	near(t, "most power", r.CardMostWatts, 240)
	near(t, "temperature", r.CardTemp, 71)
	near(t, "clock", r.CardClock, 2500)
	near(t, "events since the first sample", r.CPUEvents, 4)
	if r.CPUWatts.Known() || r.CPUTemp.Known() || r.CardBusy.Known() {
		t.Errorf("invented: %+v", r)
	}
	if math.Abs(r.Held["heat"]-1./3) > 1e-12 || math.Abs(r.Held["power limit"]-2./3) > 1e-12 {
		t.Errorf("%v", r.Held)
	}
	for _, none := range []*record.Telemetry{nil, {}, {Series: []record.Series{series("mem.available", 1)}}, {Series: []record.Series{series("gpu.0.power", nan)}}} {
		if _, ok := power.Of(none); ok {
			t.Errorf("a reading of %+v", none)
		}
	}
}

func passes(card, game string, rates ...float64) (out []record.Pass) {
	for i, y := range rates {
		id := fmt.Sprint(card, game, i)
		p := record.Pass{ID: id, SHA256: id, Bench: "one", Verdict: record.Clean, Tags: record.Tags{},
			StartedAt: time.Date(
				2026,
				3,
				1,
				9,
				i,
				0,
				0,
				time.UTC,
			), Metrics: record.Metrics{Frames: 600, DurationS: 60, AvgFPS: y, Low1FPS: y}}
		for k, v := range map[string]string{"gpu": card, "game": game} {
			p.Tags[k] = record.Tag{Value: v, From: record.FromPath}
		}
		out = append(out, p)
	}
	return out
}

// Frames per watt are the rate over the mean power, pass by pass; of a card the geometric mean
// over the games that all cards have.
func TestFramesPerWatt(t *testing.T) {
	all := append(passes("A", "x", 100, 102, 98), passes("A", "y", 50, 50, 50)...)
	all = append(append(all, passes("B", "x", 150, 150, 150)...), passes("B", "z", 10, 10, 10)...)
	readings := map[string]power.Reading{}
	for _, p := range all {
		r, _ := power.Of(
			&record.Telemetry{Series: []record.Series{series("gpu.0.power", 200, 200), series("cpu.power", 50, 50)}},
		)
		readings[p.ID] = r
	}
	delete(readings, "Ay2")
	noCard := readings["Ax2"]
	noCard.CardWatts = analysis.Undefined
	readings["Bx2"] = noCard // of the processor alone
	cells := analysis.Cells(all, analysis.Options{})
	sums := power.Cells(cells, readings, analysis.Options{})
	if len(sums) != 4 || sums[1].Passes != 2 {
		t.Fatalf("%+v", sums)
	}
	if n := []int{sums[0].Figure().N, sums[1].Figure().N, sums[2].Figure().N}; !slices.Equal(n, []int{3, 2, 2}) {
		t.Errorf("frames per watt of %v passes, want 3, 2, 2", n)
	}
	near(t, "A in x", sums[0].PerWatt, math.Cbrt(100*102*98)/200)
	near(t, "with the processor", sums[0].PerWattBoth, math.Cbrt(100*102*98)/250)
	// Student's interval by hand: logarithms with a standard deviation of 0.02, t(0.975; 2) = 4.3027 (from memory).
	log := []float64{math.Log(100. / 200), math.Log(102. / 200), math.Log(98. / 200)}
	m := (log[0] + log[1] + log[2]) / 3
	sd := math.Sqrt(((log[0]-m)*(log[0]-m) + (log[1]-m)*(log[1]-m) + (log[2]-m)*(log[2]-m)) / 2)
	if want := math.Exp(m - 4.3027*sd/math.Sqrt(3)); math.Abs(float64(sums[0].PerWattLow)/want-1) > 1e-4 {
		t.Errorf("interval from %v, want %v", sums[0].PerWattLow, want)
	}
	parts := power.Parts(cells, "gpu", readings, analysis.Options{})
	if len(parts) != 2 || parts[0].Passes != 3 || parts[1].Passes != 3 {
		t.Fatalf("%+v", parts)
	}
	near(t, "A over what both have", parts[0].PerWatt, math.Cbrt(100*102*98)/200)
	near(t, "B", parts[1].PerWatt, 150./200)
}

// What held a clock back is named, but for a card's power limit, which is normal.
func TestThrottlingIsNamed(t *testing.T) {
	all := passes("A", "x", 100, 101)
	at := func(bits float64, events ...float64) power.Reading {
		r, _ := power.Of(
			&record.Telemetry{
				Series: []record.Series{series("gpu.0.throttle", bits), series("cpu.throttle_count", events...)},
			},
		)
		return r
	}
	for want, r := range map[string]power.Reading{"": at(record.ThrottlePower, 3, 3), "card: heat": at(record.ThrottleThermal, 3, 3),
		"card: hardware slowdown, processor: heat": at(record.ThrottleHard, 3, 4)} {
		sums := power.Cells(
			analysis.Cells(all, analysis.Options{}),
			map[string]power.Reading{all[0].ID: r},
			analysis.Options{},
		)
		if len(sums) != 1 || sums[0].Throttled != want {
			t.Errorf("%+v, want %q", sums, want)
		}
	}
}
