//go:build !linux

package watcher

import "errors"

// newNames is not possible here: on Windows a listener for names is not told of closing
// either, and the folder's own time of change serves as well for names.
func newNames() (names, error) { return nil, errors.ErrUnsupported }

func (k *keeper) glance(string) (File, error) { return File{}, errors.ErrUnsupported }

type scratch struct{}
