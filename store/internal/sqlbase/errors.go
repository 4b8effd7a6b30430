package sqlbase

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// explained is an error that says already which file it is about and what to do.
type explained struct{ error }

func (e explained) Unwrap() error { return e.error }

// Explain puts the sentinel that fits in front of an error of the database, with the path
// and what to do.
func Explain(path string, err error) error {
	var e *sqlite.Error
	var done explained
	if err == nil || !errors.As(err, &e) || errors.As(err, &done) {
		return err
	}
	kind, advice := error(nil), ""
	switch e.Code() & 0xff {
	case lib.SQLITE_FULL:
		kind, advice = ErrFull, "free some space; nothing was lost"
	case lib.SQLITE_CORRUPT:
		// So the database calls a page that makes no sense, and one that the disk did not give.
		return explained{fmt.Errorf("%s: %w: %w", path, errDamagedOrFailed, err)}
	case lib.SQLITE_NOTADB:
		kind, advice = ErrCorrupt,
			"`capctl verify` says what is still whole; restore a backup or let the agent read the logs again"
	case lib.SQLITE_READONLY, lib.SQLITE_PERM, lib.SQLITE_CANTOPEN:
		kind, advice = ErrReadOnly, "check the permissions of the file and its folder"
	case lib.SQLITE_BUSY, lib.SQLITE_LOCKED:
		kind, advice = ErrBusy, "try again when it has finished"
	case lib.SQLITE_IOERR:
		// A file on a full disk can also fail while the log is grown.
		return explained{fmt.Errorf("%s: the disk failed: %w", path, err)}
	default:
		return explained{fmt.Errorf("%s: %w", path, err)}
	}
	return explained{fmt.Errorf("%s: %w (%s): %w", path, kind, advice, err)}
}

// damagedOrFailed is an [ErrCorrupt] that may be none.
type damagedOrFailed struct{}

var errDamagedOrFailed damagedOrFailed

func (damagedOrFailed) Error() string {
	return "the store is damaged, or its disk failed just now (try again; `capctl verify` says which, and what is still whole)"
}

func (damagedOrFailed) Is(target error) bool { return target == ErrCorrupt }

// OfTheMoment reports whether an error says nothing about what is stored: the disk failed
// just now, descriptors ran out, another program holds the file. Asking again may help.
func OfTheMoment(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	switch e.Code() & 0xff {
	case lib.SQLITE_IOERR:
		return e.Code() != lib.SQLITE_IOERR_SHORT_READ
	case lib.SQLITE_BUSY, lib.SQLITE_LOCKED, lib.SQLITE_CANTOPEN, lib.SQLITE_NOMEM, lib.SQLITE_FULL:
		return true
	}
	return false
}
