package watcher

import "errors"

// Source is where hints of changes come from, see [Options.With].
type Source = source

// With returns options whose hints come from events in place of the system, and whose
// answer about a log's writer from probe. A simulation with invented time needs both, and
// hears of no names, for the system's events have a time of their own.
func (o Options) With(events func() (Source, error), probe func(path string) Writer) Options {
	o.testEvents, o.testProbe = events, probe
	o.testNames = func() (names, error) { return nil, errors.ErrUnsupported }
	return o
}
