package main

import (
	"bufio"
	"fmt"
	"os"
	"strconv"
	"time"

	"capd.example/internal/testlab"
)

// The demo starts itself again in these roles, as processes of their own that the agent
// sees on its bench.
const (
	roleGame = "play" // draws nothing, but takes its time and writes a log live
	roleLoad = "load" // keeps one core busy
)

// play runs a scene in real time: each frame keeps the processor busy for most of the
// time that the scene asks for, and the log holds what it really took.
func play(path string, s testlab.Scene) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "at_s,took_ms")
	begin := time.Now()
	last := begin
	flushed := begin
	for _, ms := range s.Frames() {
		until := last.Add(time.Duration(ms * float64(time.Millisecond)))
		spin(until.Add(-time.Duration(ms * 0.1 * float64(time.Millisecond))))
		time.Sleep(time.Until(until) / 2)
		spin(until)
		now := time.Now()
		fmt.Fprintf(w, "%.6f,%.6f\n", now.Sub(begin).Seconds(), float64(now.Sub(last))/1e6)
		last = now
		if now.Sub(begin).Seconds() >= s.Seconds {
			break
		}
		if now.Sub(flushed) > 200*time.Millisecond {
			w.Flush()
			flushed = now
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	return f.Close()
}

func spin(until time.Time) {
	for time.Now().Before(until) {
	}
}

// role runs this process in a role; ok is false when it was started as the demo itself.
func role(args []string) (ok bool, err error) {
	switch {
	case len(args) == 2 && args[0] == roleLoad:
		seconds, err := strconv.ParseFloat(args[1], 64)
		if err == nil {
			spin(time.Now().Add(time.Duration(seconds * float64(time.Second))))
		}
		return true, err
	case len(args) == 6 && args[0] == roleGame:
		var num [4]float64
		for i, a := range args[2:] {
			if num[i], err = strconv.ParseFloat(a, 64); err != nil {
				return true, err
			}
		}
		s := testlab.Scene{Seed: uint64(num[0]), Load: uint64(num[1]), FPS: num[2], Seconds: num[3], Spread: 0.02, Hitches: -1}
		return true, play(args[1], s)
	}
	return false, nil
}
