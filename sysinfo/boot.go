package sysinfo

import (
	"runtime"
	"strconv"
	"strings"
	"time"

	"capd.example/record"
)

// Boot says since when the machine runs; ok is false where that cannot be told.
func (b *Bench) Boot(now time.Time) (boot record.Boot, ok bool) {
	if b.live && runtime.GOOS == "windows" {
		up, ok := upTime()
		at := now.Add(-up).UTC().Truncate(time.Second)
		return record.Boot{ID: at.Format(time.RFC3339), At: at}, ok
	}
	id, why := b.tree.Text("/proc/sys/kernel/random/boot_id")
	stat, whyStat := b.tree.Text("/proc/stat")
	if why != "" || whyStat != "" || len(id) < 8 {
		return record.Boot{}, false
	}
	for line := range strings.Lines(stat) {
		if text, found := strings.CutPrefix(line, "btime "); found {
			s, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
			return record.Boot{ID: id[:8], At: time.Unix(s, 0).UTC()}, err == nil && s > 0
		}
	}
	return record.Boot{}, false
}
