package schema

import (
	"encoding/binary"
	"errors"
	"io"
	"os"
	"strings"
)

// Head is what the first bytes of a database file say
// (https://www.sqlite.org/fileformat.html, section 1.3).
type Head struct {
	Database    bool
	empty       bool // nothing was written, or not its beginning
	application uint32
	PageSize    int64
	Pages       int64 // as the file claims
	Size        int64 // of the file as it is
}

// Unfinished reports whether the file may be what a killed copying left: its first page is
// written late.
func (h Head) Unfinished() bool {
	return h.empty || h.Database && (h.application == ApplicationID || h.application == 0)
}

// Foreign reports a database of another program.
func (h Head) Foreign() bool { return h.Database && h.application != ApplicationID }

// ReadHead reads what stands at the beginning of a file of the database.
func ReadHead(path string) (h Head, err error) {
	f, err := os.Open(path)
	if err != nil {
		return h, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return h, err
	}
	h.Size = info.Size()
	var b [100]byte
	if _, err := io.ReadFull(f, b[:]); err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			h.empty = h.Size == 0
			return h, nil
		}
		return h, err
	}
	h.empty = b == [100]byte{}
	h.Database = strings.HasPrefix(string(b[:]), "SQLite format 3\x00")
	h.application = binary.BigEndian.Uint32(b[68:])
	if h.PageSize = int64(binary.BigEndian.Uint16(b[16:])); h.PageSize == 1 {
		h.PageSize = 1 << 16
	}
	h.Pages = int64(binary.BigEndian.Uint32(b[28:]))
	return h, nil
}
