//go:build !unix

package main

import (
	"errors"
	"os"
	"time"
)

func pause(*os.Process, time.Duration) error {
	return errors.New("a process cannot be paused on this system; record the set on Linux")
}
