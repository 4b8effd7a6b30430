package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"
)

// head is what the first bytes of a database file say
// (https://www.sqlite.org/fileformat.html, section 1.3).
type head struct {
	database    bool
	empty       bool // nothing was written, or not its beginning
	application uint32
	pageSize    int64
	pages       int64 // as the file claims
	size        int64 // of the file as it is
}

// unfinished reports whether the file may be what a killed copying left: its first page is
// written late.
func (h head) unfinished() bool {
	return h.empty || h.database && (h.application == applicationID || h.application == 0)
}

func readHead(path string) (h head, err error) {
	f, err := os.Open(path)
	if err != nil {
		return h, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return h, err
	}
	h.size = info.Size()
	var b [100]byte
	if _, err := io.ReadFull(f, b[:]); err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			h.empty = h.size == 0
			return h, nil
		}
		return h, err
	}
	h.empty = b == [100]byte{}
	h.database = strings.HasPrefix(string(b[:]), "SQLite format 3\x00")
	h.application = binary.BigEndian.Uint32(b[68:])
	if h.pageSize = int64(binary.BigEndian.Uint16(b[16:])); h.pageSize == 1 {
		h.pageSize = 1 << 16
	}
	h.pages = int64(binary.BigEndian.Uint32(b[28:]))
	return h, nil
}

// OpenDamaged opens what is left of a store that [Open] refuses as [ErrCorrupt], for
// [Store.Verify] and [Store.Salvage] alone. Nothing is written to it. Where not even its
// tables can be found the error, [ErrCorrupt], says what is left to do.
func OpenDamaged(ctx context.Context, path string) (*Store, error) {
	s := &Store{path: path, now: time.Now, readOnly: true, busy: busyTimeout, damaged: true}
	h, err := readHead(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("open store: %s: %w", path, ErrNoStore)
	case err != nil:
		return nil, fmt.Errorf("open store: %w", err)
	}
	waiting, err := os.Stat(path + "-wal")
	if want := h.pages * h.pageSize; h.database && h.size < want && (err != nil || waiting.Size() == 0) {
		s.cut = fmt.Sprintf("the file is cut off: %d of its %d bytes are there", h.size, want)
	}
	nothing := func(why string) error {
		return fmt.Errorf("open store: %s: %w, and no pass can be read from it (%s): put the file aside, with those beside it that begin with its name, and restore a backup; without one start the agent, which reads the logs again",
			path, ErrCorrupt, why)
	}
	if !h.database {
		return nil, nothing(fmt.Sprintf("its first page is not there; it has %d bytes", h.size))
	}
	if err := s.connect("ro", "query_only(1)"); err != nil {
		return nil, fmt.Errorf("open store: %w", err)
	}
	has := func(table string) error {
		_, err := numbersOf(ctx, s.db, `SELECT 1 FROM `+table+` LIMIT 0`)
		return err
	}
	if err := has("pass_rows"); err != nil {
		s.db.Close()
		return nil, nothing(err.Error())
	}
	s.bare = has("digests") != nil
	return s, nil
}
