package sqlbase

import (
	"fmt"
	"net/url"
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
