package main

import (
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

// menu is for how long a game runs before its logger records. A game that began with its
// pass would be told from the others only after its first second, a fifth of so short a pass.
const menu = 3 * time.Second

// role runs this process in a role; ok is false when it was started as the demo itself.
func role(args []string) (ok bool, err error) {
	switch {
	case len(args) == 2 && args[0] == roleLoad:
		seconds, err := strconv.ParseFloat(args[1], 64)
		if err == nil {
			testlab.Spin(time.Now().Add(time.Duration(seconds * float64(time.Second))))
		}
		return true, err
	case len(args) == 6 && args[0] == roleGame:
		var num [4]float64
		for i, a := range args[2:] {
			if num[i], err = strconv.ParseFloat(a, 64); err != nil {
				return true, err
			}
		}
		s := testlab.Scene{Seed: uint64(num[0]), Load: uint64(num[1]), FPS: num[2], Seconds: num[3], Spread: 0.05,
			Hitches: -1}
		testlab.Spin(time.Now().Add(menu))
		return true, testlab.Play(args[1], s)
	}
	return false, nil
}
