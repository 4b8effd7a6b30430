// Logwriter writes an invented log for tests that are no Go programs:
// logwriter FILE SEED FPS SECONDS.
package main

import (
	"fmt"
	"os"

	"capd.example/internal/testlab"
)

func main() {
	var s testlab.Scene
	if len(os.Args) != 5 {
		fmt.Fprintln(os.Stderr, "usage: logwriter FILE SEED FPS SECONDS")
		os.Exit(2)
	}
	for i, into := range []any{&s.Seed, &s.FPS, &s.Seconds} {
		if _, err := fmt.Sscan(os.Args[i+2], into); err != nil {
			fmt.Fprintf(os.Stderr, "logwriter: %q: %v\n", os.Args[i+2], err)
			os.Exit(2)
		}
	}
	s.Load, s.Hitches = 1, -1
	if err := os.WriteFile(os.Args[1], testlab.Log(testlab.StyleDurations, s.Frames(), nil), 0o644); err != nil {
		fmt.Fprintln(os.Stderr, "logwriter:", err)
		os.Exit(1)
	}
}
