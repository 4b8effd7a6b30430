package main

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"capd.example/internal/testlab"
)

// rates are spread over what limiters are set to; on purpose most are on no list.
var rates = []float64{15, 24, 35, 48, 55, 58, 65, 70, 85, 97, 110, 117, 130, 155, 170, 190, 240, 350}

// limiters records frame loops in real time: eight of each limiter, and ten with none whose
// work is ever the same or varies. The name of a log says what it is.
func limiters(out string, seed uint64, seconds float64) error {
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	r := rand.New(rand.NewPCG(seed, 0x11fe))
	for _, l := range []testlab.Limiter{testlab.AfterLast, testlab.NextMoment, testlab.CatchUp, testlab.SpinWait,
		testlab.Unlimited} {
		passes := 8
		if l == testlab.Unlimited {
			passes = 10
		}
		for n := range passes {
			fps, late := rates[r.IntN(len(rates))], []float64{0.02, 0.08}[n%2]
			interval := time.Duration(1e9 / fps)
			// little, so that the machine can do other things
			usual := time.Duration((0.05 + 0.2*r.Float64()) * float64(interval))
			w := testlab.Work{Usual: usual, Spread: 0.08, Alike: 0.5, Course: 0.05, Late: late, By: (interval - usual) * 18 / 10}
			if l == testlab.Unlimited {
				w = testlab.Work{Usual: interval, Spread: []float64{0, 0.01, 0.05, 0.15}[n%4], Alike: 0.5,
					Course: []float64{0, 0, 0.02, 0.05}[n%4]}
			}
			log := filepath.Join(out, fmt.Sprintf("%v, %g FPS, %g late, pass %d.csv", l, fps, late, n+1))
			x := testlab.Loop{Limiter: l, Interval: interval}.Run(testlab.NewRealClock(),
				time.Duration(seconds*float64(time.Second)), testlab.NewWork(r.Uint64(), w).Next)
			if err := write(log, x); err != nil {
				return err
			}
		}
	}
	return nil
}

func write(path string, ms []float64) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "took_ms")
	for _, x := range ms {
		fmt.Fprintf(w, "%.4f\n", x)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}
