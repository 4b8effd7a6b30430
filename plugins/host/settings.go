package host

import (
	"github.com/rs/zerolog"

	"capd.example/config"
)

// Settings are the options that the configuration makes; bundled is the argument list that
// starts the standard validators, version that of the program.
func Settings(c config.Checks, bundled []string, version string, log zerolog.Logger) Options {
	return Options{
		Bundled: bundled, Params: c.Params, Off: c.Off,
		Folder: c.Folder, Pinned: c.Pinned, Plain: c.Plain, MaxMemory: int64(c.MemoryMB) << 20,
		Deadline: config.Seconds(c.DeadlineS), Version: version, Logger: log,
	}
}
