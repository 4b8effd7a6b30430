//go:build !linux

package control

import "fmt"

func shorten(path string) (short string, done func(), err error) {
	if len(path) > longest {
		return "", nil, fmt.Errorf("control socket: the path %s is longer than %d bytes: choose a shorter data folder", path,
			longest)
	}
	return path, func() {}, nil
}
