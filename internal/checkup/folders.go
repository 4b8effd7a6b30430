package checkup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"capd.example/store"
	"capd.example/store/look"
)

const (
	// full is where a disk counts as full: a store that is brought up to date, or a backup,
	// needs room for a copy.
	full = 200 << 20
	// scarce is where one should know.
	scarce = 2 << 30
)

// watch reports whether the logs' folder can be watched.
func (l *looker) watch() {
	const subject = "watch folder"
	info, err := os.Stat(l.c.Watch)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		l.note(subject, l.c.Watch+" does not exist", "no log has come there yet; the agent makes it when it starts", "set your logger to write there, or set 'watch' in "+l.place()+" to the folder that it writes into")
		return
	case err != nil:
		l.wrong(subject, err.Error(), "no log is noticed", "give yourself the right to read it, or set 'watch' in "+l.place())
		return
	case !info.IsDir():
		l.wrong(subject, l.c.Watch+" is a file, not a folder", "the agent does not start", "set 'watch' in "+l.place()+" to the folder that your logger writes into")
		return
	}
	if _, err := os.ReadDir(l.c.Watch); err != nil {
		l.wrong(subject, err.Error(), "no log is noticed", readable(l.Linux, l.c.Watch))
		return
	}
	before := len(l.found)
	if inside(l.c.Watch, l.c.Data) {
		l.wrong(subject, fmt.Sprintf("%s lies inside the data folder %s", l.c.Watch, l.c.Data), "the agent would take its own files for logs, and whoever clears the data clears the logs", "set 'watch' in "+l.place()+" to a folder outside")
	}
	if l.Remote(l.c.Watch) {
		l.note(subject, l.c.Watch+" is on a network drive", "the agent looks into it every few seconds, and writing there uses the network during a pass", "have the logger write to a local folder, and copy the logs afterwards")
	}
	if client := l.synced(l.c.Watch); client != "" {
		l.note(subject, fmt.Sprintf("%s is kept in step with a cloud (%s)", l.c.Watch, client), "a log is uploaded while the next pass is recorded, which is background load", "choose a folder outside of it, and set 'watch' in "+l.place())
	}
	if len(l.found) == before {
		l.ok(subject, "%s", l.c.Watch)
	}
}

// data reports whether passes can be kept.
func (l *looker) data() {
	const subject, lost = "data folder", "no pass can be kept; the logs wait"
	at := l.c.Data
	info, err := os.Stat(at)
	for errors.Is(err, fs.ErrNotExist) && filepath.Dir(at) != at { // the agent makes it: it is the folder above that counts
		at = filepath.Dir(at)
		info, err = os.Stat(at)
	}
	switch {
	case err != nil:
		l.wrong(subject, err.Error(), lost, "give yourself the right to use it, or set 'data' in "+l.place())
		return
	case !info.IsDir():
		l.wrong(subject, at+" is a file, not a folder", "the agent does not start", "move it away, or set 'data' in "+l.place()+" to another folder")
		return
	}
	before := len(l.found)
	if err := writable(at); err != nil {
		l.wrong(subject, "nothing can be written to "+at+": "+err.Error(), lost, ownable(l.Linux, at))
	}
	if free, err := l.Free(at); err == nil && free < full {
		l.wrong(subject, fmt.Sprintf("the disk of %s is full: %s are free", l.c.Data, size(free)), lost, "free some space; 'capctl retain' and 'capctl compact' shrink the store")
	} else if err == nil && free < scarce {
		l.note(subject, fmt.Sprintf("of the disk of %s only %s are free", l.c.Data, size(free)), "a pass takes about 1 MB, an update of the program a copy of the store", "free some space; 'capctl retain' and 'capctl compact' shrink the store")
	}
	if l.Linux && at == l.c.Data && info.Mode().Perm()&0o077 != 0 {
		l.note(subject, fmt.Sprintf("others can look into %s (mode %v)", l.c.Data, info.Mode().Perm()), "they can read your passes", "chmod go= "+l.c.Data)
	}
	if l.Remote(at) {
		l.wrong(subject, l.c.Data+" is on a network drive", "a database on a network drive gets damaged sooner or later", "set 'data' in "+l.place()+" to a local folder")
	}
	if client := l.synced(at); client != "" {
		l.wrong(subject, fmt.Sprintf("%s is kept in step with a cloud (%s)", l.c.Data, client), "the cloud's client takes a database apart that is in use", "set 'data' in "+l.place()+" to a folder outside of it; 'capctl backup' makes copies that may lie there")
	}
	if len(l.found) == before {
		l.ok(subject, "%s", l.c.Data)
	}
}

// store reports whether the store can be used.
func (l *looker) store(ctx context.Context) {
	const subject = "store"
	path := l.c.StoreFile()
	if info, err := os.Stat(l.c.Data); err == nil && !info.IsDir() {
		return // has been said
	}
	s, err := look.At(ctx, path)
	l.newest = s.Newest
	switch {
	case errors.Is(err, store.ErrNoStore):
		l.ok(subject, "none yet: the first pass makes %s", path)
	case errors.Is(err, store.ErrNewer):
		l.wrong(subject, err.Error(), "this version of capd cannot use it", "install the newer version of capd again, or put the copy that it left beside the store in its place")
	case errors.Is(err, store.ErrCorrupt):
		l.wrong(subject, err.Error(), "passes may be lost", "'capctl verify' lists what is damaged, 'capctl verify --salvage FILE' copies what is whole")
	case errors.Is(err, store.ErrNotOurs):
		l.wrong(subject, err.Error(), "the agent does not start", "move the file away, or set 'data' in "+l.place()+" to another folder")
	case errors.Is(err, store.ErrBusy):
		l.wrong(subject, err.Error(), "no pass can be kept meanwhile; the logs wait", "find the program that holds it and end it"+holders(l.Linux, path))
	case errors.Is(err, store.ErrReadOnly):
		l.wrong(subject, err.Error(), "no pass can be kept; the logs wait", ownable(l.Linux, path))
	case err != nil:
		l.wrong(subject, err.Error(), "no pass can be kept; the logs wait", "'capctl verify' says more")
	case s.Version < s.Latest:
		l.note(subject, fmt.Sprintf("%s is of an earlier version", path), "the agent brings it up to date when it starts, and leaves a copy beside it", "'capd install'")
	case !s.Whole:
		l.ok(subject, "%s; it is too large to be examined now, 'capctl verify' does that", path)
	default:
		l.ok(subject, "%s", path)
	}
}

// clock reports a clock that is not right.
func (l *looker) clock() {
	const subject, means = "clock", "passes get wrong times, their order and their samples do not fit"
	ahead := l.newest.Sub(l.Now)
	switch {
	case ahead > time.Minute:
		l.wrong(subject, fmt.Sprintf("it says %s, and the store holds a pass of %s", l.Now.Format(time.DateTime), l.newest.In(l.Now.Location()).Format(time.DateTime)), means, setClock(l.Linux))
	case !l.Built.IsZero() && l.Built.Sub(l.Now) > 24*time.Hour:
		l.wrong(subject, fmt.Sprintf("it says %s, before this program was made", l.Now.Format(time.DateTime)), means, setClock(l.Linux))
	case l.Unsynced():
		l.note(subject, "the system's clock follows no other", "it drifts; passes of several benches do not fit together", setClock(l.Linux))
	default:
		l.ok(subject, "%s", l.Now.Format(time.RFC3339))
	}
}

// synced names what says that a folder, or one above it, is kept in step with a cloud: an
// entry that a client leaves in its folder, or what the client told the system.
func (l *looker) synced(folder string) string {
	for _, root := range l.Synced {
		if inside(folder, root) {
			return root
		}
	}
	for at := folder; ; at = filepath.Dir(at) {
		for _, mark := range syncMarks {
			if hits, _ := filepath.Glob(filepath.Join(escape(at), mark)); len(hits) > 0 {
				return hits[0]
			}
		}
		if at == filepath.Dir(at) {
			return ""
		}
	}
}

// syncMarks are what clients of clouds leave in the folders that they keep in step; common
// practice, not written down anywhere.
var syncMarks = []string{".dropbox", ".dropbox.cache", ".stfolder", "._sync_*.db", ".sync_*.db", ".owncloudsync.log", ".nextcloudsync.log"}

// escape lets a folder's name stand in a pattern for itself.
func escape(folder string) string {
	if filepath.Separator == '\\' { // there is no escaping, and no such name
		return folder
	}
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(folder)
}

// inside reports whether a path is a folder or lies below it, through whatever links.
func inside(path, folder string) bool {
	real := func(p string) string {
		if r, err := filepath.EvalSymlinks(p); err == nil {
			return r
		}
		return p
	}
	rel, err := filepath.Rel(real(folder), real(path))
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

// writable tries it, with a file that is gone at once.
func writable(folder string) error {
	f, err := os.CreateTemp(folder, ".capd-check-")
	if err != nil {
		return errors.Unwrap(err)
	}
	f.Close()
	return os.Remove(f.Name())
}

func size(bytes uint64) string {
	if bytes >= 1<<30 {
		return fmt.Sprintf("%.1f GiB", float64(bytes)/(1<<30))
	}
	return fmt.Sprintf("%d MiB", bytes>>20)
}

// What to type differs between the systems.

func readable(linux bool, path string) string {
	if linux {
		return "chmod u+rx " + path
	}
	return `icacls "` + path + `" /grant "%USERNAME%:(OI)(CI)RX"`
}

func ownable(linux bool, path string) string {
	if linux {
		return "chmod u+rwX " + path + ", or chown it to yourself"
	}
	return `icacls "` + path + `" /grant "%USERNAME%:(OI)(CI)M"`
}

func holders(linux bool, path string) string {
	if linux {
		return ": fuser -v " + path
	}
	return ""
}

func setClock(linux bool) string {
	if linux {
		return "timedatectl set-ntp true"
	}
	return "w32tm /resync, or Settings > Time & language > Sync now"
}
