package sqlbase

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// BusyPragma is for how long one waits for another program that holds the store.
func BusyPragma(d time.Duration) string { return fmt.Sprintf("busy_timeout(%d)", d.Milliseconds()) }

// DSN is the name under which the database opens the file at path, in a mode of SQLite's
// (https://www.sqlite.org/uri.html).
func DSN(path, mode string, pragmas ...string) string {
	p := filepath.ToSlash(path)
	if !strings.HasPrefix(p, "/") {
		p = "/" + p // C:/...
	}
	u := url.URL{Scheme: "file", Path: p}
	name := u.String() + "?mode=" + mode + "&_txlock=immediate"
	for _, pr := range pragmas {
		name += "&_pragma=" + pr
	}
	return name
}

// Regular refuses what is no file where the database opens one: it would wait for ever for
// the other end of a named pipe, and no interrupt ends that.
func Regular(path string) error {
	for _, part := range []string{"", "-wal", "-shm", "-journal"} {
		info, err := os.Stat(path + part)
		if err == nil && !info.Mode().IsRegular() {
			return fmt.Errorf("%s is no regular file: put it aside", path+part)
		}
	}
	return nil
}
