package watcher

// names tells what happens to the names in folders and nothing of what is written into
// files.
type names interface {
	Add(folder string) error
	// Await tells once when a program that has the log open for writing closes it.
	Await(log string) error
	Remove(path string)
	// Events may be received from until Close.
	Events() <-chan happening
	Close()
}

// happening is one thing told by [names].
type happening struct {
	path   string
	gone   bool // the folder itself was removed or moved
	closed bool // the log was closed
	err    error
}
