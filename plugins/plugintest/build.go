// Package plugintest helps to test validators without the agent: it builds passes,
// asserts findings and holds the conformance suite that every validator must pass.
package plugintest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"capd.example/record"
)

// Began is when invented passes begin unless told otherwise.
var Began = time.Date(2030, 1, 2, 10, 0, 0, 0, time.UTC)

// Steady returns frame times in ms of a scene of the given rate and length: neighbours
// resemble each other and the spread is a few per cent. Equal seeds give equal frames.
func Steady(fps, seconds float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	var out []float64
	state := 0.0
	for at := 0.0; at < seconds*1000; {
		state = 0.7*state + 0.7*rng.NormFloat64()
		x := math.Round(1000/fps*math.Exp(0.04*state)*1000) / 1000
		out = append(out, x)
		at += x
	}
	return out
}

// Pass builds the evidence of one pass from its frame times in ms; each change then
// adjusts it.
func Pass(ms []float64, changes ...func(*record.Evidence)) record.Evidence {
	m := figures(ms)
	sum := sha256.Sum256(fmt.Append(nil, ms))
	hash := hex.EncodeToString(sum[:])
	ended := Began.Add(time.Duration(m.DurationS * float64(time.Second)))
	e := record.Evidence{
		Pass: record.Pass{
			ID: record.PassID(hash), SHA256: hash, Bench: "bench-1", Log: "pass.csv",
			StartedAt: Began, EndedAt: ended, LogAt: ended.Add(2 * time.Second), Metrics: m,
			Layout: record.Layout{Delimiter: ",", Decimal: ".", Header: true, Source: "duration", Column: "column 1",
				Unit: "ms"},
		},
		Frames:       record.Frames{MS: ms, Decimals: -1},
		TelemetryWhy: "the pass was invented without any",
	}
	for _, change := range changes {
		change(&e)
	}
	return e
}

// figures computes the metrics that need no rule of the project, from their definitions.
func figures(ms []float64) record.Metrics {
	m := record.Metrics{Frames: len(ms)}
	if len(ms) == 0 {
		return m
	}
	s := slices.Clone(ms)
	sort.Float64s(s)
	for _, x := range ms {
		m.DurationS += x / 1000
	}
	m.AvgFPS = float64(len(ms)) / m.DurationS
	q := func(p float64) float64 {
		at := p * float64(len(s)-1)
		i := min(int(at), len(s)-1)
		j := min(i+1, len(s)-1)
		return s[i] + (at-float64(i))*(s[j]-s[i])
	}
	low := func(share float64) float64 {
		k := int(math.Ceil(share * float64(len(s))))
		sum := 0.0
		for _, x := range s[len(s)-k:] {
			sum += x
		}
		return 1000 * float64(k) / sum
	}
	m.MedianMS, m.P95MS, m.P99MS, m.P999MS, m.MaxMS = q(0.5), q(0.95), q(0.99), q(0.999), s[len(s)-1]
	m.P99FPS, m.Low1FPS, m.Low01FPS = 1000/m.P99MS, low(0.01), low(0.001)
	m.Low1Sparse, m.Low01Sparse = len(s) < 1000, len(s) < 10000
	return m
}

// Series adds a telemetry series with one value per second from the start of the pass.
func Series(name, unit string, values ...float64) func(*record.Evidence) {
	return func(e *record.Evidence) {
		if e.Telemetry == nil {
			e.Telemetry, e.TelemetryWhy = &record.Telemetry{}, ""
		}
		t := e.Telemetry
		for i := len(t.At); i < len(values); i++ {
			t.At = append(t.At, e.Pass.StartedAt.Add(time.Duration(i)*time.Second))
		}
		t.Series = append(t.Series, record.Series{Name: name, Unit: unit, Source: "invented", Values: values})
	}
}

// Flat returns n times the same value, for [Series].
func Flat(value float64, n int) []float64 { return slices.Repeat([]float64{value}, n) }

// Process adds a program that used the given per cent of one core throughout.
func Process(name string, percent float64) func(*record.Evidence) {
	return func(e *record.Evidence) {
		if e.Telemetry == nil {
			e.Telemetry, e.TelemetryWhy = &record.Telemetry{}, ""
		}
		e.Telemetry.Processes = append(e.Telemetry.Processes, record.ProcessUse{
			Name: name, PID: 100 + len(e.Telemetry.Processes), From: e.Pass.StartedAt, To: e.Pass.EndedAt, Percent: percent,
		})
	}
}

// Card adds what a program used of a graphics card; the name "" is the measured program.
func Card(name string, use record.CardUse) func(*record.Evidence) {
	return func(e *record.Evidence) {
		Process(name, 0)(e)
		p := &e.Telemetry.Processes[len(e.Telemetry.Processes)-1]
		p.Game, p.Cards = name == "", []record.CardUse{use}
	}
}

// Expect sets the expected length in seconds.
func Expect(seconds float64) func(*record.Evidence) {
	return func(e *record.Evidence) { e.Expected.DurationS, e.Expected.From = seconds, "campaign" }
}

// Remark adds what the log's reader remarked.
func Remark(kind string, line int, text string) func(*record.Evidence) {
	return func(e *record.Evidence) {
		e.Pass.Remarks = append(e.Pass.Remarks, record.Remark{Kind: kind, Line: line, Count: 1, Text: text})
	}
}

// Field adds a detected fact that counts for the system's identity.
func Field(name, value string) func(*record.Evidence) {
	return func(e *record.Evidence) {
		e.System.Fields = append(e.System.Fields, record.Field{Name: name, Value: value, Source: "invented", Identity: true})
		e.System.ID = e.System.Identity()
		e.Pass.System = e.System.ID
	}
}

// Claim adds a source's word about a tag.
func Claim(name, value string, from record.Origin) func(*record.Evidence) {
	return func(e *record.Evidence) {
		e.Pass.Claims = append(e.Pass.Claims, record.Claim{Name: name, Value: value, From: from})
	}
}

// After makes earlier passes of the same cell, all clean.
func After(earlier ...record.Evidence) func(*record.Evidence) {
	return func(e *record.Evidence) {
		for _, x := range earlier {
			e.Earlier = append(e.Earlier, Earlier(x, record.Clean))
		}
	}
}

// Earlier turns evidence into an earlier pass with the given verdict.
func Earlier(e record.Evidence, v record.Verdict) record.Earlier {
	e.Pass.Verdict = v
	out := record.Earlier{Pass: e.Pass, System: e.System}
	var at, sum float64
	n := 0
	for _, x := range e.Frames.MS {
		at, sum, n = at+x, sum+x, n+1
		for at >= float64(len(out.SecondsMS)+1)*1000 && len(out.SecondsMS) < 86400 {
			mean := x
			if n > 0 {
				mean = sum / float64(n)
			}
			out.SecondsMS = append(out.SecondsMS, mean)
			sum, n = 0, 0
		}
	}
	if e.Telemetry == nil {
		return out
	}
	for _, s := range e.Telemetry.Series {
		if s.Unit == "degrees C" && len(s.Known()) > 0 {
			if out.StartTemp == nil {
				out.StartTemp = map[string]float64{}
			}
			out.StartTemp[s.Name] = s.Known()[0]
		}
	}
	return out
}
