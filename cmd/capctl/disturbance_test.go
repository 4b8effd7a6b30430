package main

import (
	"math"
	"testing"
	"time"

	"capd.example/record"
)

func rounds(n int, effect func(i int) float64) []disturbanceRound {
	var out []disturbanceRound
	for i := range n {
		drift := 1 - 0.001*float64(i) // the machine gets slower all the time
		at := func(k float64, e float64) record.Metrics {
			v := 100 * (drift - 0.00025*k) * e
			return record.Metrics{AvgFPS: v, Low1FPS: v / 2}
		}
		e := effect(i)
		out = append(out, disturbanceRound{without: [2]record.Metrics{at(0, 1), at(3, 1)}, with: [2]record.Metrics{at(1, e), at(2, e)}})
	}
	return out
}

func TestJudgeDisturbance(t *testing.T) {
	wobble := func(i int) float64 { return 1 + 0.0002*float64(i%3-1) }
	l := judgeDisturbance(1, rounds(9, wobble))[0]
	if !l.Within05 || !l.Within01 || math.Abs(l.Change) > 1e-4 {
		t.Errorf("nothing but drift: %+v", l)
	}
	l = judgeDisturbance(1, rounds(9, func(i int) float64 { return 0.98 * wobble(i) }))[0]
	if l.Within05 || math.Abs(l.Change+0.02) > 1e-3 || *l.CIHigh > -0.015 {
		t.Errorf("2 %% slower: %+v", l)
	}
	l = judgeDisturbance(1, rounds(9, func(i int) float64 { return 1 + 0.05*float64(i%3-1) }))[0]
	if l.Within05 || *l.Least < 0.005 {
		t.Errorf("a noisy machine proves nothing: %+v", l)
	}
}

func TestFrameLoop(t *testing.T) {
	ms := frameLoop(2, 10_000, 50*time.Millisecond)
	sum := 0.0
	for _, x := range ms {
		sum += x
	}
	if len(ms) < 4 || sum < 100 {
		t.Errorf("%d frames of %g ms in all", len(ms), sum)
	}
}
